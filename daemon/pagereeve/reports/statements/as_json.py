"""A statement as JSON."""

from __future__ import annotations

from typing import Any, Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.statement_lines import Correction, Line, Standing, Statement, StatementAdjustment
from pagereeve.reports.as_closed import as_closed_json
from pagereeve.reports.costs import amount_json
from pagereeve.reports.rows_json import charge_json
from pagereeve.reports.seal import head_json
from pagereeve.reports.sentences import GRADES
from pagereeve.reports.statements.decided import decided_json
from pagereeve.reports.statements.words import CAUTIONS
from pagereeve.reports.totals import accounts_json, edge_json, figures_json, period_json

_OF_A_CHARGE: Final = frozenset(
    {
        "channel",
        "unit",
        "ended",
        "closed",
        "released",
        "counted",
        "charged",
        "unproven",
        "expected",
        "grade",
        "verdict",
        "reasons",
    }
)


def statement_json(statement: Statement, zone_database: str) -> dict[str, Any]:
    zone = statement.period.zone
    return {
        "of": statement.subject.kind,
        "name": statement.subject.name or None,
        "also_written": list(statement.also_written),
        "period": period_json(statement.period) | {"zone_database": zone_database},
        "releases": [_line(line, zone, named=statement.named) for line in statement.lines],
        "decided": [decided_json(one, zone, named=statement.named) for one in statement.decided],
        "sums": [figures_json(one) for one in statement.sums],
        "grades": [
            {
                "grade": one.grade,
                "says": None if one.grade is None else GRADES[one.grade],
                "releases": one.releases,
                "charged": one.charged,
                "unproven": one.unproven,
            }
            for one in statement.grades
        ],
        "charts": [
            {
                "channel": chart.channel,
                "unit": chart.unit or None,
                "by": chart.by,
                "spans": [
                    {"name": name, "charged": charged, "unproven": unproven} for name, charged, unproven in chart.spans
                ],
            }
            for chart in statement.charts
        ],
        **({} if statement.bill is None else {"costs": _bill(statement.bill)}),
        **(
            {}
            if statement.accounts is None
            else {
                "accounts": [accounts_json(line) for line in statement.accounts.lines],
                "edges": [edge_json(one) for one in statement.accounts.edges],
            }
        ),
        "adjustments": [_adjustment(one, named=statement.named) for one in statement.adjustments],
        "cautions": [{"caution": one.value, "says": CAUTIONS[one]} for one in statement.cautions],
        **({} if statement.seal is None else {"seal": head_json(statement.seal)}),
        **as_closed_json(statement.as_closed),
    }


def _line(line: Line, zone: ZoneInfo, *, named: bool) -> dict[str, Any]:
    first = line.first
    return {
        "release": first.release.release,
        "source": first.release.source,
        "printer": first.printer,
        **({"person": first.owner} if named else {}),
        "started": local_text(first.started_us, zone),
        "charges": [_charge(one) for one in line.charges],
        "parts": [_charge(one) for one in line.parts],
        "corrections": [_correction(one) for one in line.corrections],
        "late": line.late,
    }


def _charge(charge: Charge) -> dict[str, Any]:
    """Without owner and job: whose it is, the line says."""
    known = charge_json(charge)
    return {name: value for name, value in known.items() if name in _OF_A_CHARGE}


def _correction(one: Correction) -> dict[str, Any]:
    return {
        "at": to_text(one.at_us),
        "late_us": one.late_us,
        "before": _standing(one.before),
        "after": _standing(one.after),
    }


def _adjustment(one: StatementAdjustment, *, named: bool) -> dict[str, Any]:
    return {
        "corrects": one.corrects,
        "account": one.account,
        **({"person": one.person or None} if named else {}),
        "printer": one.printer,
        "channel": one.channel,
        "unit": one.unit or None,
        "source": one.source or None,
        "release": one.release or None,
        "pages": one.pages,
    }


def _standing(one: Standing) -> dict[str, Any]:
    return {"verdict": one.verdict, "charged": one.charged, "unproven": one.unproven}


def _bill(bill: Bill) -> dict[str, Any]:
    return {
        "amounts": [amount_json(one) for one in bill.amounts()],
        "unpriced_pages": dict(sorted(bill.unpriced.items())),
    }
