"""A statement's words: the same on paper and on a terminal."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import (
    CONFIRMED,
    MAINTENANCE,
    OTHER_FUNCTION,
    SHORTFALL,
    STRAY,
    SURPLUS,
    UNATTRIBUTED,
    Charge,
    Grade,
    Verdict,
)
from pagereeve.domain.values.amounts import Figure, amount
from pagereeve.queries.late_notices import NOT_KNOWN
from pagereeve.queries.statement_lines import Caution, Correction, Standing, Statement, Subject, SubjectKind
from pagereeve.reports.sentences import reason_text, span_text
from pagereeve.reports.totals import period_line

KINDS: Final[dict[SubjectKind, str]] = {"person": "person", "cost-centre": "cost centre", "printer": "printer"}
HOUSE_ACCOUNT_WORDS: Final = {
    STRAY: "counted without a release",
    SURPLUS: "counted beyond what is charged",
    SHORTFALL: "charged beyond what was counted",
    MAINTENANCE: "maintenance and test pages",
    UNATTRIBUTED: "counted, and nobody can say for whom",
    OTHER_FUNCTION: "copies and faxes that the meter counts apart",
    CONFIRMED: "confirmed by a person, and not counted",
}
NOT_JUDGED: Final = "not judged yet"
UNKNOWN_SHOWN: Final = "?"
UNITS: Final[dict[str, str]] = {Unit.IMPRESSIONS: "impression", Unit.SHEETS: "sheet"}
"""One of each; of a unit that is not known, a page."""
REASONS_SHOWN: Final = 3

GRADES: Final[dict[Grade, str]] = {
    Grade.TIGHT: "the meter was read shortly before and after",
    Grade.INFERRED: "parted from others where the meter rested",
    Grade.MATCHED: "several at once, and their sum fits",
    Grade.SHARED: "several at once; the shares are worked out",
    Grade.WIDE: "a reading before or after is far away",
    Grade.BROKEN: "the meter was replaced or reset meanwhile",
    Grade.BLIND: "no reading before, or none after",
}
"""For a line each; reports.sentences says it in full."""

VERDICTS: Final[dict[Verdict, str]] = {
    Verdict.AGREES: "as released",
    Verdict.SURPLUS: "more than released",
    Verdict.SHORTFALL: "fewer than released",
    Verdict.UNPROVEN: "not proven",
}

FIGURES: Final = (
    "Released: pages that the server claims. Counted: pages that the printer's meter shows for it. Charged: what the "
    "site's policy makes of the two. Unsupported: claimed, and no count supports it; it is not charged."
)

ADJUSTMENTS: Final = "Adjustments of closed periods"
ADJUSTMENTS_SAY: Final = (
    "What came to light after a period was closed; it stands in no other sum of this statement. "
    "Pages below 0 are taken back; of a meter they are what it gives to the accounts."
)
CAUTIONS: Final[dict[Caution, str]] = {
    Caution.COUNT_IS_OF_A_PRINTER: (
        "A count is evidence about a printer, not about a person: it says how many pages came out, not who took them."
    ),
    Caution.SITES_BEHIND: (
        "Of a site that forwards to here not all of this period is here: pages made there may be missing."
    ),
    Caution.UNPROVEN: "Unsupported pages are not charged. Whether they are owed is for people to decide.",
    Caution.SHARED: (
        "Where several releases ran at once and their sum does not fit, only what surely came out for a release is "
        "charged; the figure counted for it is a share that was worked out."
    ),
    Caution.COPIES_NOT_APART: (
        "Of some of these printers the meter does not count copies apart: if somebody copied by hand meanwhile, "
        "it does not show."
    ),
    Caution.NOT_JUDGED: "Some releases are not judged yet: their figures may still change.",
    Caution.CLAIM_UNKNOWN: "Of some releases nobody said how many pages they have (?): the sum of claims lacks them.",
    Caution.SEVERAL_SPELLINGS: "There are several logins, or one written in several ways; all count as one person.",
    Caution.LATE_NOT_LOOKED_AT: (
        "More notices came late than are worked out here: releases that these concern are marked, and pagereeve "
        "explain RELEASE shows what they changed."
    ),
    Caution.UNPRICED: "Some charged pages have no price; they are in no amount.",
    Caution.OVER_AN_EDGE: "Some stretches lie over an edge of the period: over start and over end say how many pages.",
    Caution.PRINTS_ALONE: "This meter counts prints alone: how many copies came out nobody knows.",
    Caution.DOES_NOT_ADD_UP: (
        "The account does not add up to the meter. Do not use this statement; pagereeve replay --check looks for the "
        "cause."
    ),
}


def title_of(subject: Subject) -> str:
    return f"Statement of the {KINDS[subject.kind]} {subject.name or '(none)'}"


def when_of(statement: Statement) -> str:
    """The period with both ends, and what it is of."""
    return period_line(statement.period)


def summary_of(statement: Statement, figure: Figure = str) -> str:
    """One sentence; different channels and units are never added up."""
    if not statement.lines and not statement.decided:
        return "Nothing was released in this period."
    parts = [
        f"{amount(one.charged, UNITS.get(one.unit, 'page'), figure=figure)} charged"
        + (f" and {figure(one.unproven)} unsupported" if one.unproven else "")
        + f" ({one.channel})"
        for one in statement.sums
        if one.billed
    ]
    return (
        f"{amount(len(statement.lines), 'release', figure=figure)}: {'; '.join(parts) or 'no channel that is billed'}."
    )


def grade_words(grade: Grade | None) -> str:
    return NOT_JUDGED if grade is None else f"{grade.value}: {GRADES[grade]}"


def verdict_words(verdict: Verdict | None) -> str:
    return NOT_JUDGED if verdict is None else VERDICTS[verdict]


def figure(pages: int | None) -> str:
    return UNKNOWN_SHOWN if pages is None else str(pages)


def channel_words(channel: str, unit: str) -> str:
    return f"{channel}, {unit}" if unit else channel


def why_of(charge: Charge) -> list[str]:
    """Why it is not simply as released; empty where it is."""
    if charge.verdict is Verdict.AGREES and not charge.unproven:
        return []
    return [_reason(one) for one in charge.reasons[:REASONS_SHOWN]]


def _reason(reason: str) -> str:
    """A hint is a possible cause and no more."""
    return f"possibly: {reason_text(reason)}" if reason.startswith(HINT_PREFIX) else reason_text(reason)


LATE: Final = "A notice came late; pagereeve explain shows what it changed."
"""Of a release that is marked alone."""


def correction_words(one: Correction, zone: ZoneInfo) -> str:
    came = f"{local_text(one.at_us, zone)}: a notice came {span_text(one.late_us)} late"
    return f"{came}; until then {_standing(one.before)}, from then on {_standing(one.after)}"


def _standing(one: Standing) -> str:
    if one.verdict == NOT_KNOWN:
        return "the release was not known"
    unproven = f", {one.unproven} unproven" if one.unproven else ""
    return f"{one.verdict}, {one.charged} charged{unproven}"
