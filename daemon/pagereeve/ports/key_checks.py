"""Check values of secret keys, which the journal keeps: so that another key than its own is noticed at the start."""

from __future__ import annotations

from typing import Protocol


class KeyChecks(Protocol):
    async def key_check(self, name: str) -> str | None:
        """The check value of the key of that name; None where none was kept yet."""
        ...

    async def keep_key_check(self, name: str, value: str) -> None:
        """In the place of an earlier one; durable on return. Raises JournalUnavailable."""
        ...
