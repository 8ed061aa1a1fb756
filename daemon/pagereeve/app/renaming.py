"""A printer under a new name (``was`` in its entry): its history goes on there, and its old findings are closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pagereeve.app.decisions import renew_rows
from pagereeve.app.site_record import append_all
from pagereeve.domain.facts.facts import Decided, Fact, Origin, PlateauRead, SettleLearned
from pagereeve.domain.facts.in_force import Rules
from pagereeve.ports.clock import Clock
from pagereeve.ports.store import Store
from pagereeve.settings import Settings

REGISTRY: Final = "urn:pagereeve:registry"
BY: Final = "the settings"


async def rename(store: Store, clock: Clock, settings: Settings) -> None:
    """For each printer that had another name. Nobody may own the timelines of the old names. Raises JournalUnavailable.

    The new timeline begins with the last reading of the old one, so that no page between the two is lost or counted
    twice; with the settle time that was learnt; and each fact once, however often this is asked for.
    """
    names = set(await store.printers())
    standing = {printer.name for printer in settings.printers}
    for printer in settings.printers:
        old = printer.was
        if old is None or old not in names or old in standing:
            continue
        if printer.name not in names:
            await append_all(store, await _history(store, old, printer.name))
        await _close_findings(store, clock, old, printer.name)


async def _history(store: Store, old: str, new: str) -> Sequence[Fact]:
    run = await store.open_run(old)
    last = run.fact if run is not None and isinstance(run.fact, PlateauRead) else await _last_read(store, old)
    rules = Rules.of([stored.fact for stored in await store.standing_facts(old)])
    facts: list[Fact] = [] if last is None else [replace(last, printer=new)]
    learned: Sequence[SettleLearned] = rules.learned[-1:]
    return [*facts, *(replace(one, printer=new) for one in learned)]


async def _last_read(store: Store, printer: str) -> PlateauRead | None:
    """The latest finished run of good readings."""
    last: PlateauRead | None = None
    async for stored in store.facts(printer):
        if isinstance(stored.fact, PlateauRead):
            last = stored.fact
    return last


async def _close_findings(store: Store, clock: Clock, old: str, new: str) -> None:
    found = [one for one in await store.findings(only_open=True) if one.printer == old]
    if not found:
        return
    at_us = clock.now_us()
    origins = [(one.id, Origin(REGISTRY, f"{one.id}-renamed", at_us, at_us, at_us)) for one in found]
    text = f"the printer's name is {new} now"
    await append_all(store, (Decided(old, origin, name, "close", BY, "other", text) for name, origin in origins))
    await renew_rows(store, clock, old, min(one.since_us for one in found))
