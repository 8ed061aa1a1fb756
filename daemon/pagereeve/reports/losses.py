"""For whom nobody pays, as tables, CSV and JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from rich.table import Table

from pagereeve.domain.accounts import losses as causes
from pagereeve.domain.accounts.losses import UNPROVEN, Cause, CauseFrom
from pagereeve.domain.brackets.expectation import START_UP
from pagereeve.domain.brackets.hypotheses import BY_NAME
from pagereeve.domain.facts.in_force import TEST_PAGES
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, account_kind
from pagereeve.queries.losses import LossesAnswer, LossSum
from pagereeve.queries.remedies import Effect
from pagereeve.reports.as_closed import as_closed_json
from pagereeve.reports.exports.columns import Value
from pagereeve.reports.exports.csv_file import CsvForm, csv_table
from pagereeve.reports.seal import head_json
from pagereeve.reports.text import plain
from pagereeve.reports.totals import period_json

ADVISED_MAX: Final = 30
"""So many causes are advised on in a table, the dearest; CSV and JSON have all."""

EVIDENT: Final[Mapping[str, str]] = {
    causes.COPIES: "copies and faxes that the meter counts apart",
    causes.MAINTAINED: "maintenance",
    TEST_PAGES: "test pages",
    START_UP: "a page of the printer's own when it started",
    causes.RAN_TOGETHER: "several releases ran at once, and their sum does not fit",
    causes.RUN_ENDED: "the meter was replaced, reset or fell back",
    causes.NO_READING: "the meter could not be read in time",
    causes.UNIT_UNSURE: "nobody says whether the meter counts sheets or sides",
    causes.NOT_REGISTERED: "the printer is not registered",
    causes.STALLED: "an error stopped the printer",
    causes.NOT_EXPLAINED: "not explained yet",
    causes.NOT_FROZEN: "no cause was frozen when the period was closed",
}
SAID_BY: Final[Mapping[CauseFrom, str]] = {
    "said": "as people said",
    "noted": "as people noted",
    "diagnosis": "by the printer's diagnosis",
    "hint": "possibly",
    "evidence": "",
    "unknown": "",
}
EFFECTS: Final[Mapping[Effect, str]] = {
    "not-printed": "not printed any more",
    "charged": "charged to whoever prints them",
    "expected": "expected, and no difference any more",
    "proven": "proven or disproven by a count",
    "unknown": "depends on what is found",
}
LEGEND: Final = (
    "nobody's: counted, and charged to nobody; the sum of the house accounts, as in totals\n"
    "before: of the period before; unproven: claimed, and no count supports it; in no account"
)
PARTLY: Final = "the journal begins within the period before: of that a part is known"
ADVICE_LEGEND: Final = "pages: of this period; then: what becomes of such pages if it is done"
COLUMNS: Final = (
    "printer",
    "channel",
    "unit",
    "billed",
    "account",
    "cause",
    "known_from",
    "pages",
    "pages_before",
    "remedy_kind",
    "remedy",
    "effect",
)


def cause_words(cause: Cause) -> str:
    """``jam, as people said``; ``possibly: each job brings one sheet ...``."""
    pattern = BY_NAME.get(cause.name) if cause.known_from in {"diagnosis", "hint"} else None
    words = EVIDENT.get(cause.name, cause.name) if pattern is None else pattern.text
    by = SAID_BY[cause.known_from]
    if cause.known_from == "hint":
        return f"{by}: {words}"
    return f"{words}, {by}" if by else words


def losses_tables(answer: LossesAnswer) -> list[Table]:
    """Channels that are billed; their parts are in CSV and JSON."""
    lines = [one for one in answer.lines if one.billed]
    return [_lines_table(answer, lines), _advice_table(answer)]


def _lines_table(answer: LossesAnswer, lines: Sequence[LossSum]) -> Table:
    shown = [one for one in HOUSE_ACCOUNTS if any(line.accounts.get(one) for line in lines)]
    table = Table(caption=f"{LEGEND}\n{PARTLY}" if answer.before_partly else LEGEND)
    for heading in (answer.by, "channel"):
        table.add_column(heading)
    for heading in (*map(account_kind, shown), "nobody's", "before", "unproven", "unproven before"):
        table.add_column(heading, justify="right")
    for line in lines:
        who = cause_words(line.who) if isinstance(line.who, Cause) else line.who
        channel = f"{line.channel}, {line.unit}" if line.unit else line.channel
        pages = [str(line.accounts.get(one, 0)) for one in shown]
        sums = (str(line.nobodys), _shown(line.before), str(line.unproven), _shown(line.unproven_before))
        table.add_row(plain(who), plain(channel), *pages, *sums)
    return table


def _advice_table(answer: LossesAnswer) -> Table:
    table = Table(title="what would help, the dearest first", caption=ADVICE_LEGEND)
    for heading in ("printer", "account", "cause"):
        table.add_column(heading)
    for heading in ("pages", "before"):
        table.add_column(heading, justify="right")
    for heading in ("what to do", "then"):
        table.add_column(heading)
    advised = [one for one in answer.losses if one.key.billed and one.pages and one.remedy.kind != "nothing"]
    for one in advised[:ADVISED_MAX]:
        texts = (one.key.printer, one.key.account, cause_words(one.key.cause))
        figures = (str(one.pages), _shown(one.before))
        table.add_row(*map(plain, texts), *figures, plain(one.remedy.words), EFFECTS[one.remedy.effect])
    return table


def _shown(pages: int | None) -> str:
    return "" if pages is None else str(pages)


def losses_csv(answer: LossesAnswer, form: CsvForm) -> str:
    """A row for each printer, channel, unit, account and cause: of a channel and account the pages add up to totals'
    house line.
    """
    return csv_table(COLUMNS, ([row[name] for name in COLUMNS] for row in _rows(answer)), form)


def _rows(answer: LossesAnswer) -> list[dict[str, Value]]:
    return [
        {
            "printer": one.key.printer,
            "channel": one.key.channel,
            "unit": one.key.unit or None,
            "billed": one.key.billed,
            "account": one.key.account,
            "cause": one.key.cause.name,
            "known_from": one.key.cause.known_from,
            "pages": one.pages,
            "pages_before": one.before,
            "remedy_kind": one.remedy.kind,
            "remedy": one.remedy.words,
            "effect": one.remedy.effect,
        }
        for one in answer.losses
    ]


def losses_json(answer: LossesAnswer) -> dict[str, Any]:
    return {
        "period": period_json(answer.period),
        "before": None if answer.before is None else period_json(answer.before),
        "before_partly": answer.before_partly,
        "by": answer.by,
        "lines": [_line_json(line) for line in answer.lines],
        "losses": _rows(answer),
        **({} if answer.seal is None else {"seal": head_json(answer.seal)}),
        **as_closed_json(answer.as_closed),
    }


def _line_json(line: LossSum) -> dict[str, Any]:
    who = line.who
    named = {"cause": who.name, "known_from": who.known_from} if isinstance(who, Cause) else {"printer": who}
    house = {account: line.accounts.get(account, 0) for account in HOUSE_ACCOUNTS}
    return {
        **named,
        "channel": line.channel,
        "unit": line.unit or None,
        "billed": line.billed,
        "accounts": house,
        "nobodys": line.nobodys,
        "nobodys_before": line.before,
        UNPROVEN: line.unproven,
        "unproven_before": line.unproven_before,
    }
