"""Names that nobody registered and for which there is no watcher yet: their facts are stored, their rows come later."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

WAITING_MAX: Final = 10_000


@dataclass(slots=True)
class WaitingStrangers:
    """In the order in which they first came; beyond WAITING_MAX the earliest is forgotten until it comes again."""

    _names: OrderedDict[str, None] = field(default_factory=OrderedDict)

    def __bool__(self) -> bool:
        return bool(self._names)

    def add(self, name: str) -> None:
        self._names.setdefault(name)
        if len(self._names) > WAITING_MAX:
            self._names.popitem(last=False)

    def next(self) -> str | None:
        """Whose turn it is; it waits no more."""
        return self._names.popitem(last=False)[0] if self._names else None
