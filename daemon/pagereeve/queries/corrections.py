"""Which releases of a statement a late notice changed, and how; names of others never leave here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.facts.facts import Event, Fact, PrinterNoted, ReleaseEnded, ReleaseStarted
from pagereeve.domain.ledger import Charge, Grade, ReleaseKey
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.reads import Reads
from pagereeve.queries.late_notices import LATE_US, LateNotice, LedgerState, what_was_known
from pagereeve.queries.release_evidence import gather
from pagereeve.queries.statement_lines import Correction, Line, Standing

# To see what a late notice changed, its printer's facts around it are projected twice: about 30 ms each.
GONE_THROUGH_MAX: Final = 1_000
NEIGHBOURS_MAX: Final = 50
_WITH_OTHERS: Final = frozenset({Grade.INFERRED, Grade.MATCHED, Grade.SHARED, Grade.WIDE})


@dataclass(slots=True)
class Corrected:
    """``complete`` is False where it was not worked out of every late notice what it changed."""

    lines: list[Line]
    complete: bool = True


@dataclass(slots=True)
class _Notes:
    """By printer, instants of notes that came late."""

    known: dict[str, list[int]] = field(default_factory=dict)

    async def during(self, held: Reads, charge: Charge) -> bool:
        if charge.printer not in self.known:
            standing = [stored.fact for stored in await held.standing_facts(charge.printer)]
            self.known[charge.printer] = [
                one.origin.at_us for one in standing if isinstance(one, PrinterNoted) and _is_late(one)
            ]
        until_us = FOREVER_US if charge.closed_us is None else charge.closed_us
        return any(charge.started_us <= at_us <= until_us for at_us in self.known[charge.printer])


async def with_corrections(held: Reads, lines: Sequence[Line]) -> Corrected:
    """The lines, each with what late notices changed of it; ``held`` is of one moment.

    Of every line is found out whether a notice came late, by a statement or a few; behind GONE_THROUGH_MAX it is marked
    alone. Memory in proportion to the lines.
    """
    corrected, gone_through, notes = Corrected(list(lines)), 0, _Notes()
    for place, line in enumerate(lines):
        if not (await notes.during(held, line.first) or await _notices_were_late(held, line.first)):
            continue
        if gone_through == GONE_THROUGH_MAX:
            corrected.complete = False
            corrected.lines[place] = replace(line, late=True)
            continue
        gone_through += 1
        known, complete = await _corrections(held, line.first)
        corrected.complete = corrected.complete and complete
        corrected.lines[place] = replace(line, corrections=known)
    return corrected


async def _notices_were_late(held: Reads, charge: Charge) -> bool:
    """Its own, or one of a release in the same stretch."""
    keys: dict[ReleaseKey, None] = {charge.release: None}
    if charge.grade in _WITH_OTHERS and charge.closed_us is not None:
        for stretch in await held.stretches(charge.printer, charge.closed_us, charge.closed_us):
            if charge.release in stretch.releases:
                keys |= dict.fromkeys(stretch.releases[:NEIGHBOURS_MAX])
    for key in keys:
        if _any_late(await held.release_facts(key.source, key.release), charge.printer):
            return True
    return False


def _any_late(facts: Iterable[Fact], printer: str) -> bool:
    return any(
        isinstance(one, ReleaseStarted | ReleaseEnded) and one.printer in {printer, ""} and _is_late(one)
        for one in facts
    )


def _is_late(event: Event) -> bool:
    return event.origin.received_us - event.origin.at_us >= LATE_US


async def _corrections(held: Reads, charge: Charge) -> tuple[tuple[Correction, ...], bool]:
    """Those that changed its own figures, and whether that is all."""
    known: list[Correction] = []
    complete = True
    for evidence in await gather(held, charge.release.release, charge.release.source):
        if (evidence.printer, evidence.started_us) == (charge.printer, charge.started_us):
            when = await what_was_known(held, evidence)
            known += [_correction(one) for one in when.late]
            complete = when.gone_through and not when.left_out
    # Of notices that came together and changed one thing the first is shown.
    changes = {(one.at_us, one.before, one.after): one for one in reversed(known) if one.before != one.after}
    return tuple(reversed(changes.values())), complete


def _correction(late: LateNotice) -> Correction:
    return Correction(late.at_us, late.late_us, _standing(late.before), _standing(late.after))


def _standing(state: LedgerState) -> Standing:
    return Standing(state.verdict, state.charged, state.unproven)
