"""Possible causes of a difference: each changes how the ticket, or the printer's calibration, is read.

A hypothesis predicts another count for the same release. If that is what the meter shows, the bracket carries it as a
hint; if it explains most of a printer's recent differences and contradicts none of its brackets, it is the diagnosis.
It is never applied by itself: a setting is a person's decision.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

from pagereeve.domain.brackets.expectation import expect, total_of
from pagereeve.domain.brackets.windows import Release
from pagereeve.domain.facts.facts import Origin, ReleaseEnded
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass

HINT_PREFIX: Final = "hint-"
REPEATS_MAX: Final = 5
AS_IT_IS: Final = ""
COUNTS_MAX: Final = 1_000
_ANY: Final = Origin("", "", 0, 0)
# A device may print again, or lose, the sheets that were on their way (common practice, no source); more is no jam's
# doing.
JAM_SHEETS_MAX: Final = 3


@dataclass(frozen=True, slots=True)
class Meant:
    """What an expectation is worked out from."""

    ticket: Ticket
    unit: Unit
    policy: Policy


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """``applies`` where it predicts something else; ``cure`` is the setting, or the deed, that ends the differences."""

    name: str
    text: str
    cure: str
    applies: Callable[[Meant], bool]
    changed: Callable[[Meant], Meant]


def _ticket(**changes: int) -> Callable[[Meant], Meant]:
    return lambda meant: replace(meant, ticket=replace(meant.ticket, **changes))  # type: ignore[arg-type]


def _copies_squared(meant: Meant) -> Meant:
    return replace(meant, ticket=replace(meant.ticket, copies=(meant.ticket.copies or 1) ** 2))


def _separators(meant: Meant, more: int) -> Meant:
    known = meant.ticket.separator_sheets
    known = meant.policy.separator_sheets if known is None else known
    return replace(meant, ticket=replace(meant.ticket, separator_sheets=(known or 0) + more))


def _has_copies(meant: Meant) -> bool:
    return (meant.ticket.copies or 1) > 1 and meant.policy.copies == "as-ticket"


def _is_two_sided(meant: Meant) -> bool:
    return meant.ticket.sides not in {None, "one-sided"} and meant.policy.sides == "as-ticket"


def _calibrated(**changes: object) -> Callable[[Meant], Meant]:
    return lambda meant: replace(meant, policy=replace(meant.policy, **changes))  # type: ignore[arg-type]


HYPOTHESES: Final = (
    Hypothesis(
        "copies-twice",
        "the copies are applied twice, in the data and again on the way",
        "let one hop alone make the copies: the driver or the queue",
        _has_copies,
        _copies_squared,
    ),
    Hypothesis(
        "copies-not-made",
        "the ticket's copies are not made, or are in its pages already",
        'copies = "in-pages"',
        _has_copies,
        _ticket(copies=1),
    ),
    Hypothesis(
        "number-up-ignored",
        "each page of the ticket fills a side, whatever it says of pages on a side",
        'number_up = "in-pages"',
        lambda meant: (meant.ticket.number_up or 1) > 1 and meant.policy.number_up == "as-ticket",
        _ticket(number_up=1),
    ),
    Hypothesis(
        "banner-sheet",
        "each job brings one sheet that its ticket doesn't name",
        "separator_sheets = 1, and tickets that don't deny it",
        lambda _: True,
        lambda meant: _separators(meant, 1),
    ),
    Hypothesis(
        "banner-sheets",
        "each job brings two sheets that its ticket doesn't name",
        "separator_sheets = 2, and tickets that don't deny it",
        lambda _: True,
        lambda meant: _separators(meant, 2),
    ),
    Hypothesis(
        "blank-backs-counted",
        "the blank back of a last sheet is counted",
        'blank_backs = "counted"',
        lambda meant: _is_two_sided(meant) and meant.policy.blank_backs == "not-counted",
        _calibrated(blank_backs="counted"),
    ),
    Hypothesis(
        "blank-backs-not-counted",
        "the blank back of a last sheet is not counted",
        'blank_backs = "not-counted"',
        lambda meant: _is_two_sided(meant) and meant.policy.blank_backs == "counted",
        _calibrated(blank_backs="not-counted"),
    ),
    Hypothesis(
        "counts-sheets",
        "the meter counts sheets, not sides",
        'unit = "sheets" in the printer\'s entry',
        lambda meant: meant.unit is Unit.IMPRESSIONS and _is_two_sided(meant),
        lambda meant: replace(meant, unit=Unit.SHEETS),
    ),
    Hypothesis(
        "counts-sides",
        "the meter counts sides, not sheets",
        'unit = "impressions" in the printer\'s entry',
        lambda meant: meant.unit is Unit.SHEETS and _is_two_sided(meant),
        lambda meant: replace(meant, unit=Unit.IMPRESSIONS),
    ),
    Hypothesis(
        "not-two-sided",
        "two-sided jobs come out one-sided",
        'sides = "one-sided"',
        lambda meant: meant.unit is Unit.SHEETS and _is_two_sided(meant),
        _calibrated(sides="one-sided"),
    ),
    Hypothesis(
        "large-media-twice",
        "a side of large media counts twice",
        "large_media_weight = 2",
        lambda meant: (
            meant.policy.large_media_weight == 1
            and meant.ticket.media is not None
            and is_large(meant.ticket.media) is True
        ),
        _calibrated(large_media_weight=2),
    ),
)


def _both(one: Hypothesis, other: Hypothesis) -> Hypothesis:
    """Two causes at once, each where it applies."""

    def changed(meant: Meant) -> Meant:
        for each in (one, other):
            meant = each.changed(meant) if each.applies(meant) else meant
        return meant

    return Hypothesis(
        f"{one.name}+{other.name}",
        f"{one.text}, and {other.text}",
        f"{one.cure}; and {other.cure}",
        lambda meant: one.applies(meant) or other.applies(meant),
        changed,
    )


_SHEETS: Final = ("banner-sheet", "banner-sheets")
_COPIES: Final = ("copies-twice", "copies-not-made")
_SINGLE: Final = {one.name: one for one in HYPOTHESES}
# What a printer may do besides and a queue in front of it: neither alone explains jobs of both kinds.
PAIRS: Final = tuple(_both(_SINGLE[sheets], _SINGLE[copies]) for sheets in _SHEETS for copies in _COPIES)
BY_NAME: Final = {one.name: one for one in (*HYPOTHESES, *PAIRS)}


@dataclass(frozen=True, slots=True)
class Compared:
    """A bracket's count beside what was expected of its releases, all of it in one channel."""

    channel: str
    unit: Unit
    releases: tuple[Release, ...]
    counted: int
    expected: Interval
    jammed: bool = False


def explaining(one: Compared, hypotheses: Sequence[Hypothesis] = HYPOTHESES) -> tuple[str, ...]:
    """Names of the hypotheses that predict exactly what was counted, in their order."""
    predicted = _predicted(one)
    return tuple(
        hypothesis.name
        for hypothesis in hypotheses
        if (count := predicted.get(hypothesis.name)) is not None and count != one.expected and count.holds(one.counted)
    )


def contradicted(one: Compared, hypotheses: Sequence[Hypothesis] = HYPOTHESES) -> tuple[str, ...]:
    """Of a bracket that came out as expected: the hypotheses by which it should not have.

    An expectation that leaves things open (a ticket that says little) contradicts nobody.
    """
    if one.expected.least != one.expected.most:
        return ()
    predicted = _predicted(one)
    return tuple(
        hypothesis.name
        for hypothesis in hypotheses
        if (count := predicted.get(hypothesis.name)) is not None and not count.holds(one.counted)
    )


def _meant(release: Release, unit: Unit) -> Meant:
    """Without a title: what is kept for other releases names no job."""
    ticket = release.ticket
    return Meant(ticket if ticket.title is None else replace(ticket, title=None), unit, release.policy)


def _predicted(one: Compared) -> dict[str, Interval]:
    """What the bracket should have counted, by each hypothesis that applies to any of its releases."""
    each = [
        _counts(one.channel, _meant(release, one.unit), _bare(release.ended), again=release.is_repeat)
        for release in one.releases
    ]
    names = dict.fromkeys(name for counts in each for name in counts if name)
    return {name: total_of([counts.get(name, counts[AS_IT_IS]) for counts in each]) for name in names}


def _bare(ended: ReleaseEnded | None) -> ReleaseEnded | None:
    """What an end notice says of pages: nothing that tells one job from another of the same ticket."""
    return None if ended is None else ReleaseEnded("", _ANY, "", ended.outcome, ended.pages_sent)


# The same releases are looked at again with each fact that comes while they are kept, and many tickets are alike.
@lru_cache(maxsize=COUNTS_MAX)
def _counts(channel: str, meant: Meant, ended: ReleaseEnded | None, *, again: bool) -> Mapping[str, Interval]:
    """What one release should count as it is, and by the name of each hypothesis that applies to it."""
    worked_out: dict[Meant, Interval] = {}

    def count(changed: Meant) -> Interval:
        known = worked_out.get(changed)
        if known is None:
            known = expect(channel, changed.unit, changed.ticket, ended, changed.policy, again=again).count
            worked_out[changed] = known
        return known

    counts = {AS_IT_IS: count(meant)}
    for name, hypothesis in BY_NAME.items():
        if hypothesis.applies(meant):
            counts[name] = count(hypothesis.changed(meant))
    return counts


HAPPENED: Final = {
    "repeated-job": "the job came out more than once",
    "jam-reprint": "sheets were printed again after a jam",
    "jam-loss": "sheets that were lost in a jam were not printed again",
}


def happened(one: Compared) -> tuple[str, ...]:
    """What may have happened to this bracket alone: nothing that a setting would remove."""
    least, most = one.expected.least, one.expected.most
    certain = []
    if least == most and least > 0 and one.counted % least == 0 and 1 < one.counted // least <= REPEATS_MAX:
        certain.append("repeated-job")
    if one.jammed:
        meant = [_meant(release, one.unit) for release in one.releases]
        two_sided = one.unit is Unit.IMPRESSIONS and any(_is_two_sided(each) for each in meant)
        most_lost = JAM_SHEETS_MAX * (2 if two_sided else 1)
        if most is not None and most < one.counted <= most + most_lost:
            certain.append("jam-reprint")
        if max(0, least - most_lost) <= one.counted < least:
            certain.append("jam-loss")
    return tuple(certain)


def hints(one: Compared) -> tuple[str, ...]:
    """Reasons of the form ``hint-...``, for a bracket whose count is not what was expected."""
    return tuple(HINT_PREFIX + name for name in (*explaining(one), *happened(one)))


def hint_text(reason: str) -> str:
    """What a hint says, in words."""
    name = reason.removeprefix(HINT_PREFIX)
    return HAPPENED.get(name) or BY_NAME[name].text
