"""Randomness comes through here: unpredictable where it guards something, seeded where it only spreads load."""

from __future__ import annotations

from typing import Protocol


class Entropy(Protocol):
    def request_id(self) -> int:
        """An unpredictable number in 1 .. 2^31 - 1."""
        ...

    def jitter(self) -> float:
        """Uniform in [0, 1)."""
        ...
