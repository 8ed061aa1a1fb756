"""An event that a site forwarded before it came here: both printers' rows are projected from the journal again."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.intake.handing_on import HandingOn
from pagereeve.engine.intake.storing import Stored
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarded import sealed, site_of
from tests.journal_samples import NOON_US, ended, started


@dataclass
class Told:
    """Stands for the registry and its watchers, and for the badges' watcher."""

    again: list[tuple[str, int]] = field(default_factory=list)
    taken: list[str] = field(default_factory=list)

    def watcher(self, printer: str) -> Any:
        told = self

        class Watcher:
            def take(self, arrival: object) -> None:
                told.taken.append(printer)

            def begin_again(self, before_us: int) -> None:
                told.again.append((printer, before_us))

        return Watcher()

    def accept(self, fact: object) -> None:
        """The badges' watcher looks at start notices, too."""


async def test_both_printers_are_projected_again() -> None:
    centre, told = MemoryJournal(), Told()
    handing_on = HandingOn(cast("PrinterRegistry", told), cast("BadgeWatcher", told))
    site = await site_of([started("e1", "library", release="r1")])
    await centre.append_forwarded(await site.own_origin(), "north", sealed(site))
    for fact in (started("e1", "hall", release="r1"), ended("e2", "r1", "hall")):
        await handing_on.hand_on(Stored(fact, await centre.append(fact)))
    assert told.taken == ["hall", "hall"]
    assert told.again == [("hall", NOON_US), ("north/library", NOON_US)]
