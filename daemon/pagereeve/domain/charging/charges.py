"""Claims, counts and charges: three figures, never mixed, and the posting that carries the count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import assert_never

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS, NOBODYS_CHANNELS, Expectation
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Unit
from pagereeve.domain.ledger import (
    MAINTENANCE,
    OTHER_FUNCTION,
    SHORTFALL,
    SURPLUS,
    UNATTRIBUTED,
    Charge,
    Grade,
    Verdict,
    meter_account,
    person,
)
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Owed:
    """``charged`` rests on a count, ``unproven`` is the part of the claim that no count supports.

    ``due`` is what would be charged if the release's share of the count were surely its own.
    """

    charged: int
    unproven: int = 0
    due: int = 0


@dataclass(frozen=True, slots=True)
class Proven:
    """Of a release's ``share`` of a shared count ``pages`` are surely its own; ``fits``: the sum is as expected.

    ``most`` of it can be its own by the word of its job; what it claims beyond that is as if it had been alone.
    """

    share: int
    pages: int
    fits: bool
    most: int | None = None


def owed_for(share: int, expectation: Expectation, channel: str, policy: Policy) -> Owed:
    """What one release owes for a count that is its own."""
    if channel in NOBODYS_CHANNELS:
        return Owed(0)
    if channel not in CLAIMED_CHANNELS:
        return Owed(share, due=share)
    claim = expectation.claim
    match policy.charging:
        case "lesser" | "none":
            # What the meter shows within the claim was asked for; beyond it, nothing is proven to be wanted.
            charged = share if claim.most is None else min(share, claim.most)
        case "counted":
            charged = share
        case "released":
            charged = claim.least if expectation.released is not None else _within(share, expectation)
        case _:
            assert_never(policy.charging)
    return Owed(charged, due=charged)


def _within(share: int, expectation: Expectation) -> int:
    most = expectation.claim.most
    return share if most is None else min(share, most)


def owed_shared(proven: Proven, expectation: Expectation, channel: str, policy: Policy) -> Owed:
    """What one release owes of a count that it shares with others: never pages that were shared out by lot.

    Where the sum does not fit, the rest of its claim is unproven.
    """
    own = owed_for(proven.pages, expectation, channel, policy)
    due = owed_for(proven.share, expectation, channel, policy).charged
    if proven.fits or channel not in CLAIMED_CHANNELS or policy.charging == "none":
        return Owed(own.charged, due=due)
    # A release that was given up, or is a repetition, need not have printed at all: nothing of it is surely owed.
    surely = min(expectation.claim.least, expectation.count.least)
    if proven.most is not None:
        surely = min(surely, proven.most)
    return Owed(own.charged, max(0, surely - own.charged), due)


def owed_unproven(expectation: Expectation, channel: str, release: Release) -> Owed:
    """What one release owes where nothing proves a count: its claim, kept apart, or nothing by policy ``none``.

    A repeated notice adds no claim.
    """
    if channel not in CLAIMED_CHANNELS or release.policy.charging == "none" or release.is_repeat:
        return Owed(0)
    return Owed(0, expectation.claim.least)


def is_below_need(channel: str, count: Count, expectation: Expectation, policy: Policy) -> bool:
    """What would be charged rests on the counter's unit, and that is not known as well as the policy asks for.

    What is the same in sheets and in sides rests on no unit; nor does what a counter of sheets counts in sheets.
    """
    if channel in NOBODYS_CHANNELS or (channel == "sheets" and count.unit is Unit.SHEETS):
        return False
    return expectation.by_unit and policy.needs_better(count.grade)


def owed_below_need(share: int, expectation: Expectation, channel: str, release: Release) -> Owed:
    """What one release owes where its counter's unit is not known well enough: its claim, kept apart."""
    unproven = owed_unproven(expectation, channel, release).unproven
    return Owed(0, unproven, owed_for(share, expectation, channel, release.policy).due)


def charge_of(
    window: Window,
    expectation: Expectation,
    owed: Owed,
    *,
    channel: str,
    unit: Unit | None,
    closed_us: int | None,
    counted: int | None,
    grade: Grade | None,
    verdict: Verdict | None,
    reasons: Sequence[str],
) -> Charge:
    """One row of the ledger's three columns."""
    release = window.release
    return Charge(
        printer=release.started.printer,
        release=release.key,
        owner=release.started.owner,
        job=release.started.job,
        channel=channel,
        unit=unit,
        started_us=release.noticed_us,
        ended_us=release.end_us,
        closed_us=closed_us,
        released=expectation.released,
        counted=counted,
        charged=owed.charged,
        unproven=owed.unproven,
        expected=expectation.count,
        grade=grade,
        verdict=verdict,
        reasons=tuple(reasons),
    )


def legs_for(
    printer: str,
    channel: str,
    counted: int,
    owed: Sequence[tuple[str, Owed]],
    *,
    fits: bool = True,
    others: int = 0,
    noted: int = 0,
) -> tuple[tuple[str, int], ...]:
    """The posting's legs: the meter gives ``counted``; persons and house accounts receive it. Their sum is zero.

    What was due but is not surely anybody's goes to ``house:unattributed``, and so does all that is left where the sum
    does not fit. What the charging policy bills beyond the count goes to ``house:shortfall``, a negative receipt.
    ``others`` were made by other functions, ``noted`` are maintenance and test pages.
    """
    if channel in NOBODYS_CHANNELS:
        return balanced(printer, {OTHER_FUNCTION: counted})
    received: dict[str, int] = {OTHER_FUNCTION: others, MAINTENANCE: noted}
    for owner, one in owed:
        account = person(owner)
        received[account] = received.get(account, 0) + one.charged
    rest = counted - sum(received.values())
    if rest < 0:
        received[SHORTFALL] = rest
    elif rest:
        unsure = rest if not fits else min(rest, sum(max(0, one.due - one.charged) for _, one in owed))
        received[UNATTRIBUTED] = unsure
        received[SURPLUS] = rest - unsure
    return balanced(printer, received)


def balanced(printer: str, received: Mapping[str, int]) -> tuple[tuple[str, int], ...]:
    """Legs in a fixed order, without empty ones."""
    given = sum(received.values())
    legs = sorted([(account, pages) for account, pages in received.items() if pages])
    return ((meter_account(printer), -given), *legs) if given else tuple(legs)
