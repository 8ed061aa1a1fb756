"""What the engine counts, plainly: an outlet makes metrics of it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field


@dataclass(slots=True)
class EngineTally:
    """Counts since the start. ``events`` is by (feed, outcome), ``refused`` by (feed, reason)."""

    events: Counter[tuple[str, str]] = field(default_factory=Counter)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    refused_badges: Counter[str] = field(default_factory=Counter)
    clock_marks: Counter[str] = field(default_factory=Counter)
    projections: int = 0
    rewinds: int = 0
    restarts: Counter[str] = field(default_factory=Counter)
    unavailable: int = 0
