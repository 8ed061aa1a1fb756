"""``pagereeve project``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from pagereeve.cli.options import AsJson, From, PeriodName, To, Zone
from pagereeve.domain.accounts.totals import By

if TYPE_CHECKING:
    from pagereeve.domain.accounts.periods import Period
    from pagereeve.domain.accounts.totals import Totals
    from pagereeve.domain.ledger import Finding
    from pagereeve.reports.projected import FactsInHand, PrinterLedger


def project(
    file: Annotated[str, Parameter(help="A file of facts; - reads stdin.", allow_leading_hyphen=True)],
    /,
    *,
    json: AsJson = False,
    by: Annotated[By, Parameter(help="What totals add up by.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = "UTC",
) -> int:
    """Compute brackets, charges, postings, findings, totals and the conservation check from a file of facts.

    No daemon, no database. The period bounds the totals alone. Exit status 1 if a line was no fact (the others are
    projected all the same) or a page is unaccounted for.
    """
    from pagereeve.domain.accounts.periods import chosen  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.totals import Totals  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.projected import project_all  # noqa: PLC0415 - see pagereeve.cli

    asked = chosen(period, from_, to, zone)
    held = _read(file)
    ledgers = project_all(held)
    summed = Totals(by, held.cost_centres())
    summed.add_all(
        charge for one in ledgers.values() for charge in one.ledger.charges if asked.holds(charge.started_us)
    )
    _give(asked, held, ledgers, summed, as_json=json)
    broken = [line for one in ledgers.values() for line in one.conservation if not line.ok]
    return 1 if held.bad_lines or broken else 0


def _read(file: str) -> FactsInHand:
    from pagereeve.cli.output import complain  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.facts_file import read_lines  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.projected import FactsInHand  # noqa: PLC0415 - see pagereeve.cli

    if file == "-":
        held = FactsInHand.of(read_lines(sys.stdin.buffer))
    else:
        with Path(file).open("rb") as opened:
            held = FactsInHand.of(read_lines(opened))
    shown = "stdin" if file == "-" else file
    for bad in held.bad:
        complain(f"{shown}: {bad}")
    if held.bad_lines:
        complain(f"{shown}: {held.bad_lines} of {held.facts + held.bad_lines} lines are no facts and were left out")
    return held


def _give(
    period: Period, held: FactsInHand, ledgers: dict[str, PrinterLedger], summed: Totals, *, as_json: bool
) -> None:
    from pagereeve.cli.output import say_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.projected import printer_json, project_site  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.rows_json import finding_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.totals import totals_json  # noqa: PLC0415 - see pagereeve.cli

    site = project_site(held)
    if not as_json:
        _show(period, held, ledgers, summed, site)
        return
    body: dict[str, Any] = {
        "facts": held.facts,
        "bad_lines": held.bad_lines,
        "printers": {name: printer_json(one) for name, one in ledgers.items()},
        "site": {"findings": [finding_json(one) for one in site]},
        "totals": totals_json(period, summed.by, summed.lines()),
    }
    say_json(body)


def _show(
    period: Period, held: FactsInHand, ledgers: dict[str, PrinterLedger], summed: Totals, site: Sequence[Finding]
) -> None:
    from pagereeve.cli.output import say, show  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.printer_accounts import Accounts  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.values.visible import visible  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.findings import chosen_findings, findings_text  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.totals import (  # noqa: PLC0415 - see pagereeve.cli
        accounts_table,
        period_line,
        totals_table,
    )

    accounts = Accounts().add_all(posting for one in ledgers.values() for posting in one.ledger.postings)
    known = [finding for one in ledgers.values() for finding in one.ledger.findings]
    findings = chosen_findings([*known, *site])
    show(period_line(period), totals_table(summed.by, summed.lines()), accounts_table(accounts.lines()))
    say(findings_text(findings, period.zone))
    lines = [line for one in ledgers.values() for line in one.conservation]
    for line in lines:
        if not line.ok:
            say(
                f"NOT CONSERVED: {visible(line.printer)}, {line.channel}, run {line.run}: "
                f"{line.last} - {line.first} counted, {line.accounted} accounted for"
            )
    good = sum(line.ok for line in lines)
    say(f"Conservation holds for {good} of {len(lines)} meter runs and channels, from {held.facts} facts.")
