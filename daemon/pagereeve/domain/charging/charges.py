"""Claims, counts and charges: three figures, never mixed, and the posting that carries the count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import assert_never

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS, NOBODYS_CHANNELS, Expectation
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import (
    OTHER_FUNCTION,
    SHORTFALL,
    SURPLUS,
    UNPROVEN,
    Charge,
    Grade,
    Verdict,
    meter_account,
    person,
)


@dataclass(frozen=True, slots=True)
class Owed:
    """``charged`` rests on the count, ``unproven`` on the claim or on a count that no claim bounds."""

    charged: int
    unproven: int


def owed_for(share: int, expectation: Expectation, channel: str, policy: Policy) -> Owed:
    """What one release owes for its share of a proven count."""
    claim = expectation.claim
    if channel in NOBODYS_CHANNELS:
        return Owed(0, 0)
    if channel not in CLAIMED_CHANNELS:
        return Owed(share, 0)
    match policy.charging:
        case "lesser" | "none":
            # The claim's least is what was surely asked for; what the meter shows beyond it is not proven to be wanted.
            charged = min(share, claim.least)
            beyond = share - charged if claim.most is None else min(share, claim.most) - charged
            return Owed(charged, beyond if policy.charging == "lesser" else 0)
        case "counted":
            return Owed(share, 0)
        case "released":
            return Owed(claim.least if expectation.released is not None else min(share, claim.least), 0)
    assert_never(policy.charging)


def owed_unproven(expectation: Expectation, channel: str, release: Release) -> Owed:
    """What one release owes where nothing proves a count: its claim, kept apart, or nothing by policy ``none``.

    A repeated notice adds no claim.
    """
    if channel not in CLAIMED_CHANNELS or release.policy.charging == "none" or release.is_repeat:
        return Owed(0, 0)
    return Owed(0, expectation.claim.least)


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


def legs_for(printer: str, channel: str, counted: int, owed: Sequence[tuple[str, Owed]]) -> tuple[tuple[str, int], ...]:
    """The posting's legs: the meter gives ``counted``; persons and house accounts receive it. Their sum is zero.

    What the charging policy bills beyond the count goes to ``house:shortfall``, a negative receipt.
    """
    if channel in NOBODYS_CHANNELS:
        return balanced(printer, {OTHER_FUNCTION: counted})
    received: dict[str, int] = {}
    for owner, one in owed:
        received[person(owner)] = received.get(person(owner), 0) + one.charged
        received[UNPROVEN] = received.get(UNPROVEN, 0) + one.unproven
    rest = counted - sum(received.values())
    account = SURPLUS if rest > 0 else SHORTFALL
    received[account] = received.get(account, 0) + rest
    return balanced(printer, received)


def balanced(printer: str, received: Mapping[str, int]) -> tuple[tuple[str, int], ...]:
    """Legs in a fixed order, without empty ones."""
    given = sum(received.values())
    legs = [(meter_account(printer), -given), *sorted(received.items())]
    return tuple((account, pages) for account, pages in legs if pages)
