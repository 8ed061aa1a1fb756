"""The columns of an export: what each is called, what kind of value it holds, and what it says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final, Literal
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.totals import OPEN, Total
from pagereeve.domain.ledger import Charge, Verdict

Value = str | int | bool | None
ColumnKind = Literal["text", "whole", "truth"]


@dataclass(frozen=True, slots=True)
class Column:
    """``about`` explains it to whoever reads the file; an empty cell is a value that is not known, or not there."""

    name: str
    kind: ColumnKind
    about: str
    value: Callable[[ExportRow], Value]


WHOSE: Final = {
    "person": "who the pages are of, as the name was first written; empty in rows of house accounts and totals",
    "cost-centre": "the cost centre to which the person belonged when the release started; empty: nobody said one",
    "printer": "the printer; empty in totals, which are of all printers",
    "day": "the local day on which releases started and gaps closed; no row: nothing came to that day; empty in "
    "adjustments, which are of no day of the period",
}

KIND: Final = Column(
    "kind",
    "text",
    "people: pages of releases; house: pages that nobody is charged for; decision: by release, what a person decided "
    "about them, beside the rows that it changes; adjustment: what came to light of an earlier period after its close; "
    "total: what the meters counted, and by how much they counted otherwise in the periods that adjustments correct; "
    "in each channel and unit the pages of all other rows add up to it",
    lambda row: row.kind,
)
ACCOUNT: Final = Column(
    "account",
    "text",
    "who received the pages: people, or a house account (house:stray, house:surplus and so on; "
    "one without a row received nothing); meters in totals; an adjustment that takes pages back is below 0",
    lambda row: row.account,
)
CORRECTS: Final = Column(
    "corrects",
    "text",
    "the closed period that an adjustment corrects; empty in all other rows",
    lambda row: row.corrects or None,
)
PAGES: Final = Column(
    "pages",
    "whole",
    "pages that the account received; the column that adds up. Below 0: charged beyond what was counted",
    lambda row: row.pages,
)
CHANNEL: Final = (
    Column("channel", "text", "the counter; never add up two channels", lambda row: row.channel),
    Column("unit", "text", "impressions, sheets ...; empty: no reading gave it", lambda row: row.unit or None),
    Column(
        "billed",
        "truth",
        "whether charges of this channel are the bill; other channels are parts of it",
        lambda row: row.billed,
    ),
)


def _figure(name: str) -> Callable[[ExportRow], Value]:
    return lambda row: None if row.figures is None else getattr(row.figures, name)


def _known(name: str) -> Callable[[ExportRow], Value]:
    return lambda row: None if row.figures is None else getattr(row.figures, name).pages


def _unknown(name: str) -> Callable[[ExportRow], Value]:
    return lambda row: None if row.figures is None else getattr(row.figures, name).unknown


def _verdicts(name: str, row: ExportRow) -> Value:
    return None if row.figures is None else row.figures.verdicts[name]


FIGURES: Final = (
    Column("releases", "whole", "how many releases; empty in rows of house accounts", _figure("releases")),
    Column("released", "whole", "pages that servers claim; empty: no release said a number", _known("released")),
    Column("released_unknown", "whole", "releases that said no number", _unknown("released")),
    Column("counted", "whole", "pages that meters show for these releases; empty: none does", _known("counted")),
    Column("counted_unknown", "whole", "releases for which no meter shows a number", _unknown("counted")),
    Column("charged", "whole", "pages charged by the policy", _figure("charged")),
    Column("unproven", "whole", "pages claimed that no count supports; in no account", _figure("unproven")),
    PAGES,
)
VERDICTS: Final = tuple(
    Column(f"verdict_{name}", "whole", f"releases with the verdict {name}", partial(_verdicts, name))
    for name in (*(one.value for one in Verdict), OPEN)
)


def _of_figures(value: Callable[[Total], Value]) -> Callable[[ExportRow], Value]:
    return lambda row: None if row.figures is None else value(row.figures)


_NAMES: Final = (
    Column("name", "text", "the person's name; empty: no list gives one", _of_figures(lambda one: one.name or None)),
    Column(
        "id",
        "text",
        "the person's own id; empty: no list names the person",
        _of_figures(lambda one: one.person or None),
    ),
    Column(
        "logins",
        "text",
        "every login of the period that is the person's, with commas between them",
        _of_figures(lambda one: ", ".join(one.logins) if one.who else None),
    ),
)


def columns_of(by: ExportBy, zone: ZoneInfo) -> tuple[Column, ...]:
    if by == "release":
        return (*_of_release(zone), KIND, ACCOUNT, CORRECTS, *CHANNEL, *_GRADES, *FIGURES)
    named = Column(by.replace("-", "_"), "text", WHOSE[by], lambda row: row.who or None)
    names = _NAMES if by == "person" else ()
    return (named, *names, KIND, ACCOUNT, CORRECTS, *CHANNEL, *FIGURES, *VERDICTS)


def _of_release(zone: ZoneInfo) -> tuple[Column, ...]:
    source = "who sent it; a release is unique for its source"
    started = f"when the release started, local time of {zone.key} with its offset"
    return (
        Column("release", "text", "as its source names it", _of_release_key("release")),
        Column("source", "text", source, _of_release_key("source")),
        Column("person", "text", "who it is of, as this release wrote it; or whose account changes", _person),
        Column("printer", "text", "where it was released; of an adjustment, whose pages it corrects", _printer),
        Column("started", "text", started, partial(_started, zone)),
        Column("decision", "text", "the id of the decision that the row is of", lambda row: row.decision or None),
    )


def _person(row: ExportRow) -> Value:
    if row.charge is None or row.kind == "decision":
        return row.who or None
    return row.charge.owner


def _of_release_key(name: Literal["source", "release"]) -> Callable[[ExportRow], Value]:
    def value(row: ExportRow) -> Value:
        if row.correction is not None:
            return getattr(row.correction.adjustment.key, name) or None
        return None if row.charge is None else getattr(row.charge.release, name)

    return value


def _printer(row: ExportRow) -> Value:
    if row.correction is not None:
        return row.correction.adjustment.key.printer
    return None if row.charge is None else row.charge.printer


def _started(zone: ZoneInfo, row: ExportRow) -> Value:
    if row.correction is not None:
        at_us = row.correction.adjustment.at_us
        return local_text(at_us, zone) if at_us else None
    return None if row.charge is None else local_text(row.charge.started_us, zone)


def _grade(charge: Charge) -> Value:
    return None if charge.grade is None else charge.grade.value


def _verdict(charge: Charge) -> Value:
    return OPEN if charge.verdict is None else charge.verdict.value


def _of_charge(value: Callable[[Charge], Value]) -> Callable[[ExportRow], Value]:
    return lambda row: None if row.charge is None else value(row.charge)


_GRADES: Final = (
    Column("grade", "text", "how good the evidence is; empty: not judged", _of_charge(_grade)),
    Column("verdict", "text", "what the count says of the claim", _of_charge(_verdict)),
)
