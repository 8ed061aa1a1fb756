"""``pagereeve project``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from pagereeve.cli.options import AsJson, From, PeriodName, SettingsIfAny, To, Zone
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.period_sums import sums_of
from pagereeve.domain.accounts.printer_accounts import accounts_of
from pagereeve.domain.accounts.totals import By, Totals
from pagereeve.domain.findings.surplus import booked_of
from pagereeve.domain.ledger import Finding
from pagereeve.domain.patterns.elsewhere import with_offers
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible
from pagereeve.queries.totals import TotalsAnswer
from pagereeve.reports.facts_file import read_lines
from pagereeve.reports.findings import chosen_findings, findings_text
from pagereeve.reports.projected import (
    FactsInHand,
    PrinterLedger,
    printer_json,
    project_all,
    project_site,
    waiting_text,
)
from pagereeve.reports.rows_json import finding_json
from pagereeve.reports.totals import answer_json, answer_tables, period_line, spelling_lines


def project(
    file: Annotated[str, Parameter(help="A file of facts; - reads stdin.", allow_leading_hyphen=True)],
    /,
    *,
    json: AsJson = False,
    by: Annotated[By, Parameter(help="Group the totals by this.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    config: SettingsIfAny = None,
) -> int:
    """Compute brackets, charges, postings, findings, totals and the conservation check from a file of facts.

    No daemon, no database. The period bounds the totals alone. Exit status 1 if a line was no fact (the others are
    projected all the same) or a page is unaccounted for.
    """
    asked = site_of(config, None, zone).chosen(period, from_, to)
    held = _read(file)
    ledgers = project_all(held)
    summed = Totals(by, held.people())
    summed.add_all(
        charge for one in ledgers.values() for charge in one.ledger.charges if asked.holds(charge.started_us)
    )
    sums = sums_of((row for one in ledgers.values() for row in one.segments), asked.from_us, asked.to_us)
    waiting = {(name, line.channel): line.pages for name, one in ledgers.items() for line in one.waits}
    answer = TotalsAnswer(asked, by, tuple(summed.lines()), accounts_of(asked, sums, waiting))
    _give(answer, held, ledgers, as_json=json)
    broken = [line for one in ledgers.values() for line in one.conservation if not line.ok]
    return 1 if held.bad_lines or broken else 0


def _read(file: str) -> FactsInHand:

    if file == "-":
        held = FactsInHand.of(read_lines(sys.stdin.buffer))
    else:
        with Path(file).open("rb") as opened:
            held = FactsInHand.of(read_lines(opened))
    shown = "stdin" if file == "-" else file
    for told in (*held.bad, *held.remarks):
        complain(f"{shown}: {told}")
    if held.bad_lines:
        complain(f"{shown}: {held.bad_lines} of {amount(held.facts + held.bad_lines, 'line')} left out: no facts")
    return held


def _give(answer: TotalsAnswer, held: FactsInHand, ledgers: dict[str, PrinterLedger], *, as_json: bool) -> None:

    site = project_site(held)
    if not as_json:
        _show(answer, held, ledgers, site)
        return
    found: dict[str, list[Any]] = {}
    for finding in _offered(ledgers):
        found.setdefault(finding.printer, []).append(finding_json(finding))
    body: dict[str, Any] = {
        "facts": held.facts,
        "bad_lines": held.bad_lines,
        "printers": {name: printer_json(one) | {"findings": found.get(name, [])} for name, one in ledgers.items()},
        "site": {"findings": [finding_json(one) for one in site]},
        "totals": answer_json(answer),
    }
    say_json(body)


def _offered(ledgers: dict[str, PrinterLedger]) -> list[Finding]:
    """All findings of printers, with what is near at other printers beside those about unknown ones."""
    known = [finding for one in ledgers.values() for finding in one.ledger.findings]
    charges = {charge.release: charge for one in ledgers.values() for charge in one.ledger.charges}
    return with_offers(known, [one for one in known if one.kind == "stray-pages"], charges)


def _show(answer: TotalsAnswer, held: FactsInHand, ledgers: dict[str, PrinterLedger], site: Sequence[Finding]) -> None:

    known = _offered(ledgers)
    findings = chosen_findings([*known, *site])
    show(period_line(answer.period), *answer_tables(answer))
    for told in spelling_lines(answer.lines):
        say(told)
    booked = booked_of(findings, (posting for one in ledgers.values() for posting in one.ledger.postings))
    say(findings_text(findings, answer.period.zone, booked))
    lines = [line for one in ledgers.values() for line in one.conservation]
    for line in lines:
        if not line.ok:
            say(
                f"NOT CONSERVED: {visible(line.printer)}, {line.channel}, run {line.run}: "
                f"{line.last} - {line.first} counted, {line.accounted} accounted for"
            )
    good = sum(line.ok for line in lines)
    say(f"Conservation holds for {good} of {len(lines)} meter runs and channels, from {amount(held.facts, 'fact')}.")
    say(waiting_text(one.waits for one in ledgers.values()))
