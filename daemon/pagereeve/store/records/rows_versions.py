"""How often the rows of each printer were replaced: who projected before somebody else did is refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.ports.ledger import StaleRows
from pagereeve.store.records.batch import Replacement

KNOWN_MAX: Final = 100_000


@dataclass(slots=True)
class RowsVersions:
    """Of a journal that one process alone writes: nobody outlives it who has projected. Moves on with ``stored``."""

    known_max: int = KNOWN_MAX
    _known: dict[str, int] = field(default_factory=dict)
    _moved: dict[str, int] = field(default_factory=dict)
    _least: int = 0

    def now(self, printer: str) -> int:
        return self._known.get(printer, self._least)

    def follow(self, replacements: Sequence[Replacement]) -> None:
        """Raises StaleRows."""
        for one in replacements:
            now = self._moved.get(one.printer, self.now(one.printer))
            require_newest(one, now)
            self._moved[one.printer] = now + 1

    def stored(self) -> None:
        if len(self._known) + len(self._moved) > self.known_max:
            # Higher than each that somebody may name.
            self._least = 1 + max(self._known.values(), default=self._least)
            self._known.clear()
        self._known.update(self._moved)
        self._moved.clear()

    def forget(self) -> None:
        """What was followed was not stored."""
        self._moved.clear()


def require_newest(replacement: Replacement, version: int) -> None:
    """Raises StaleRows."""
    if replacement.after is not None and replacement.after != version:
        raise StaleRows(f"rows of {replacement.printer or 'the site'} were replaced by another projector meanwhile")
