"""From facts in memory to everything that follows from them: no daemon, no database, no clock."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pagereeve.domain.accounts.people import People
from pagereeve.domain.badges.projector import SITE, badge_findings, checked_event
from pagereeve.domain.brackets.conservation import Conserved, conserved
from pagereeve.domain.facts.end_notices import after_its_start, replaced_by
from pagereeve.domain.facts.facts import (
    REPLACED,
    Fact,
    PlateauRead,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.redating import in_force
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.facts.union import joined
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.reports.facts_file import BadLine, FactLine
from pagereeve.reports.rows_json import (
    charge_json,
    conserved_json,
    finding_json,
    posting_json,
    stretch_json,
    waiting_json,
)

BAD_LINES_KEPT = 1000


class TwoLedgers(PagereeveError):
    """The projection in steps and the one in one piece differ: an error of ours, never of the facts."""


@dataclass(slots=True)
class PrinterFacts:
    """``said`` are facts with their numbers, as they were stored; ``facts`` are those that count, once ``date`` was
    called. ``open_run`` is the latest run that may still grow.
    """

    said: list[tuple[int | None, Fact]] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    open_run: PlateauRead | ReadFailed | None = None

    def add(self, line: FactLine) -> None:
        fact = line.fact
        if not (line.open and isinstance(fact, PlateauRead | ReadFailed)):
            self.said.append((line.seq, fact))
            return
        # What may still grow has the date that counts: it is stored anew wherever that changes.
        older, newer = sorted([fact, self.open_run or fact], key=_run_order)
        if instant_us(older) != instant_us(newer):
            self.facts.append(older)
        self.open_run = newer

    def date(self) -> None:
        self.facts += in_force(self.said)
        self.said.clear()

    def finish(self) -> None:
        """An open run of an older export is dropped where the finished one is there too."""
        run = self.open_run
        if run is not None and any(
            type(fact) is type(run) and instant_us(fact) == instant_us(run) for fact in self.facts
        ):
            self.open_run = None


def _run_order(run: PlateauRead | ReadFailed) -> tuple[int, int]:
    end_us = run.plateau.last_received_us if isinstance(run, PlateauRead) else run.silence.last_received_us
    return instant_us(run), end_us


@dataclass(slots=True)
class FactsInHand:
    """What a file of facts held. ``bad`` keeps the first BAD_LINES_KEPT bad lines; ``bad_lines`` counts all.

    ``remarks`` are as many of what was left out of lines that count.
    """

    printers: dict[str, PrinterFacts] = field(default_factory=dict)
    facts: int = 0
    bad: list[BadLine] = field(default_factory=list)
    bad_lines: int = 0
    remarks: list[BadLine] = field(default_factory=list)

    @classmethod
    def of(cls, lines: Iterable[FactLine | BadLine]) -> FactsInHand:
        held = cls()
        for line in lines:
            held.add(line)
        for known in held.printers.values():
            known.date()
        held.join()
        held.route_ends()
        for known in held.printers.values():
            known.finish()
        return held

    def add(self, line: FactLine | BadLine) -> None:
        if isinstance(line, BadLine):
            self.bad_lines += 1
            if len(self.bad) < BAD_LINES_KEPT:
                self.bad.append(line)
            return
        self.facts += 1
        self.remarks += line.remarks[: BAD_LINES_KEPT - len(self.remarks)]
        self.printers.setdefault(line.fact.printer, PrinterFacts()).add(line)

    def join(self) -> None:
        """What several endpoints and journals heard is one set of facts, whichever timeline they put it on."""
        facts = joined(fact for known in self.printers.values() for fact in known.facts)
        for known in self.printers.values():
            known.facts = []
        for fact in facts:
            self.printers[fact.printer].facts.append(fact)

    def route_ends(self) -> None:
        """An end notice without a printer follows its release's latest start, as the daemon lets it."""
        notices = (fact for held in self.printers.values() for fact in held.facts if isinstance(fact, ReleaseStarted))
        replaced = [one for started in notices if (one := replaced_by(started)) is not None]
        unrouted = [*(one for one in self._of_nobody() if isinstance(one, ReleaseEnded)), *replaced]
        wanted = {(one.origin.source, one.release) for one in unrouted}
        starts: dict[tuple[str, str], list[ReleaseStarted]] = {}
        placed: set[tuple[str, str, bool]] = set()
        for printer, known in self.printers.items():
            for fact in known.facts:
                if isinstance(fact, ReleaseEnded) and printer and fact.outcome == REPLACED:
                    placed.add((fact.origin.source, fact.release, True))
                elif isinstance(fact, ReleaseStarted) and (fact.origin.source, fact.release) in wanted:
                    starts.setdefault((fact.origin.source, fact.release), []).append(fact)
        for ended in unrouted:
            key = (ended.origin.source, ended.release)
            if key in starts and (*key, ended.outcome == REPLACED) not in placed:
                routed = after_its_start(ended, starts[key])
                self.printers[routed.printer].facts.append(routed)

    def _of_nobody(self) -> list[Fact]:
        return self.printers[""].facts if "" in self.printers else []

    def people(self) -> People:
        return People(fact for known in self.printers.values() for fact in known.facts)


@dataclass(frozen=True, slots=True)
class PrinterLedger:
    segments: tuple[RowSegment, ...]
    ledger: Ledger
    conservation: tuple[Conserved, ...]
    waits: tuple[Waiting, ...] = ()


def project_printer(printer: str, held: PrinterFacts) -> PrinterLedger:
    """The printer's rows and the law's check on them. Raises TwoLedgers."""
    segments = tuple(rebuild(printer, held.facts, held.open_run))
    ledger = Ledger.of(segments)
    projector = PrinterProjector(printer, Rules(), hold_back_us=2**62)
    for fact in held.facts:
        projector.add(fact)
    projector.open_run(held.open_run)
    whole = projector.projected()
    if set(whole.postings()) != set(ledger.postings):
        raise TwoLedgers(f"{printer}: the postings made in steps differ from those made in one piece; report this file")
    lines = conserved(printer, whole.runs.runs, whole.windows, ledger.postings)
    return PrinterLedger(segments, ledger, tuple(lines), tuple(whole.waits))


def project_all(held: FactsInHand) -> dict[str, PrinterLedger]:
    """Every printer's, in order of their names."""
    return {name: project_printer(name, held.printers[name]) for name in sorted(held.printers) if name}


def project_site(held: FactsInHand) -> list[Finding]:
    """Findings of the badge checks: of badges, readers and feeds, whatever the printer."""
    facts = [fact for known in held.printers.values() for fact in known.facts]
    events = [event for fact in facts if (event := checked_event(fact)) is not None]
    return Ledger.of([RowSegment(SITE, 0, None, findings=tuple(badge_findings(SiteRules.of(facts), events)))]).findings


def printer_json(one: PrinterLedger) -> dict[str, Any]:
    return {
        "stretches": [stretch_json(row) for row in one.ledger.stretches],
        "charges": [charge_json(row) for row in one.ledger.charges],
        "postings": [posting_json(row) for row in one.ledger.postings],
        "findings": [finding_json(row) for row in one.ledger.findings],
        "conservation": [conserved_json(line) for line in one.conservation],
        "waiting": [waiting_json(line) for line in one.waits],
    }


def waiting_text(printers: Iterable[Sequence[Waiting]]) -> str:
    """What waits in all, in one sentence: of each printer the channel that waits with most."""
    most = [(max(one.pages for one in waits), max(one.releases for one in waits)) for waits in printers if waits]
    pages, releases = (sum(figures) for figures in zip(*most, strict=True)) if most else (0, 0)
    return f"Waiting for a verdict: {amount(releases, 'release')}, {amount(pages, 'page')} counted."
