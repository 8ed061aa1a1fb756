"""Printers whose pages nobody had released, as far as was known: the notices of their releases come late. Invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.app.journals import RunningJournal
from pagereeve.domain.facts.facts import Fact, PlateauRead, ReleaseStarted
from tests.histories import SIMPLE, origin, policy, reading

PAGES: Final = 5
APART_S: Final = 300
"""From one release to the next at the same printer; its pages are counted half way."""


def printer_name(nth: int) -> str:
    return f"wing-{nth:03d}"


async def observe(journal: RunningJournal, printer: str, releases: int, from_s: float = 0) -> None:
    """Each release's pages as the meter counted them."""
    await journal.append(replace(policy(from_s - 3600), printer=printer))
    runs = [_run(printer, nth, from_s) for nth in range(releases + 1)]
    for first in range(0, releases, 200):
        await journal.observe(printer, runs[first : min(first + 200, releases)], runs[min(first + 200, releases)])


def _run(printer: str, nth: int, from_s: float) -> PlateauRead:
    begins_s = from_s + nth * APART_S
    return replace(reading(begins_s - APART_S / 2, begins_s, 1_000 + PAGES * nth), printer=printer)


def notices(printer: str, releases: Iterable[int], from_s: float = 0, people: int = 20) -> Sequence[Fact]:
    """The start notices of some of them."""
    return [
        ReleaseStarted(
            printer=printer,
            origin=origin(f"{printer}-{from_s:.0f}-{nth}", from_s + nth * APART_S + 20),
            release=f"{printer}-{from_s:.0f}-{nth}",
            owner=f"owner-{nth % people}",
            job=f"job-{nth}",
            ticket=SIMPLE,
        )
        for nth in releases
    ]
