"""For whom nobody pays: house accounts and unproven claims by printer and cause, beside those of the period before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenLine
from pagereeve.domain.accounts.frozen_answers import FrozenAnswers, FrozenLoss
from pagereeve.domain.accounts.losses import (
    CAUSE_NOT_FROZEN,
    UNPROVEN,
    Cause,
    Known,
    LossKey,
    closing_of,
    house_cause,
    hypothesis_of,
    unproven_cause,
)
from pagereeve.domain.accounts.period_before import period_before
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, Charge, Finding, FindingState, account_kind, is_house
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.findings import PAGE_MAX, FindingFilter, Place
from pagereeve.ports.reads import Reads
from pagereeve.ports.seal import SealHead
from pagereeve.queries.adjustments import changed_since
from pagereeve.queries.as_closed import AsClosed, pages_changed
from pagereeve.queries.closed_periods import closed_as, seal_head_of
from pagereeve.queries.ledger import house_entries
from pagereeve.queries.remedies import Remedy, remedy_for

LossesBy = Literal["printer", "cause"]

# What a finding is about may have opened before the period: a quiet weekend, a summer.
LOOK_BACK_US: Final = 100 * 86_400 * SECOND_US
FINDINGS_MAX: Final = 100_000
_OF_PAGES: Final = ("stray-pages", "surplus", "shortfall", "unproven-release")
_SPOKEN_OF: Final[tuple[FindingState, ...]] = ("explained", "closed")


@dataclass(frozen=True, slots=True)
class Loss:
    """Pages of one account, or unproven ones, of one printer, channel, unit and cause.

    ``before`` are those of the period before: None where there is none. ``remedy``: what would save them.
    """

    key: LossKey
    pages: int
    before: int | None
    remedy: Remedy


@dataclass(frozen=True, slots=True)
class LossSum:
    """One line: all of a printer (``who``), or of a cause, in one channel and unit. ``accounts`` has pages by account,
    UNPROVEN among them; ``before`` is the sum of house accounts in the period before, ``unproven_before`` beside it.
    """

    who: str | Cause
    channel: str
    unit: str
    billed: bool
    accounts: Mapping[str, int]
    before: int | None
    unproven_before: int | None

    @property
    def nobodys(self) -> int:
        """Pages that were counted, and that nobody is charged for."""
        return sum(pages for account, pages in self.accounts.items() if account != UNPROVEN)

    @property
    def unproven(self) -> int:
        return self.accounts.get(UNPROVEN, 0)


@dataclass(frozen=True, slots=True)
class LossesAnswer:
    """``losses`` the dearest first; ``lines`` likewise, channels that are billed before their parts. ``before`` is None
    where nothing is known of a period before, which is not the same as no pages; ``before_partly``: the journal begins
    within it.
    """

    period: Period
    before: Period | None
    by: LossesBy
    losses: tuple[Loss, ...]
    lines: tuple[LossSum, ...]
    seal: SealHead | None = None
    before_partly: bool = False
    as_closed: AsClosed | None = None


async def losses_of(reads: Reads, period: Period, by: LossesBy) -> LossesAnswer:
    """All read at one moment. Of each channel and account the pages are those of the house lines of totals.

    Of a closed period, and where the period before is one, what was frozen.
    """
    earlier = period_before(period)
    async with reads.snapshot() as held:
        closed = await closed_as(held, period)
        oldest_us = (await held.growth(period.from_us)).oldest_us
        if earlier is not None and (oldest_us is None or oldest_us >= earlier.to_us):
            earlier = None
        known = await _known(held, period, earlier)
        now, as_closed = await _now(held, period, closed, known)
        then = Counter[LossKey]() if earlier is None else await _then(held, earlier, known)
        seal = await held.seal_head() if closed is None else seal_head_of(closed)
    keys = {key for key in now.keys() | then.keys() if now[key] or then[key]}
    losses = [
        Loss(key, now[key], None if earlier is None else then[key], remedy_for(key.account, key.cause))
        for key in sorted(keys)
    ]
    losses.sort(key=lambda one: (not one.key.billed, -abs(one.pages), -abs(one.before or 0)))
    partly = earlier is not None and oldest_us is not None and oldest_us > earlier.from_us
    return LossesAnswer(period, earlier, by, tuple(losses), tuple(_lines(losses, by)), seal, partly, as_closed)


@dataclass(frozen=True, slots=True)
class LostPages:
    """Pages by what they came of; unproven ones once each charge of the period was added."""

    pages: Counter[LossKey]
    known: Known

    @classmethod
    async def of_house(cls, held: Reads, period: Period) -> LostPages:
        """What house accounts received, as its causes are known now; ``held`` is of one moment."""
        known = await _known(held, period, period_before(period))
        return cls(await _house_pages(held, period, known), known)

    def add(self, charge: Charge) -> None:
        if charge.unproven:
            unit = "" if charge.unit is None else charge.unit.value
            cause = unproven_cause(charge, self.known)
            self.pages[LossKey(charge.printer, charge.channel, unit, UNPROVEN, cause)] += charge.unproven


async def _now(
    held: Reads, period: Period, closed: ClosedPeriod | None, known: Known
) -> tuple[Counter[LossKey], AsClosed | None]:
    if closed is None:
        return await _pages(held, period, known), None
    pages, frozen = await _frozen(held, closed)
    changed = pages_changed(await changed_since(held, closed))
    return pages, AsClosed(closed, changed, () if frozen else ("causes",))


async def _then(held: Reads, earlier: Period, known: Known) -> Counter[LossKey]:
    closed = await closed_as(held, earlier)
    return await _pages(held, earlier, known) if closed is None else (await _frozen(held, closed))[0]


async def _frozen(held: Reads, closed: ClosedPeriod) -> tuple[Counter[LossKey], bool]:
    """With the causes of then, or with none where the close froze none (False)."""
    lost, bare, known = Counter[LossKey](), Counter[LossKey](), False
    async for row in held.frozen_rows(closed):
        match row:
            case FrozenAnswers():
                known = "causes" in row.kinds
            case FrozenLoss():
                lost[row.key] += row.pages
            case FrozenLine():
                line = row.accounts
                for account in HOUSE_ACCOUNTS:
                    key = LossKey(line.printer, line.channel, line.unit, account, CAUSE_NOT_FROZEN)
                    bare[key] += line.received[account_kind(account)]
            case FrozenCharge():
                one = row.charge
                unit = "" if one.unit is None else one.unit.value
                bare[LossKey(one.printer, one.channel, unit, UNPROVEN, CAUSE_NOT_FROZEN)] += one.unproven
            case _:
                pass
    return (lost, True) if known else (bare, False)


async def _pages(held: Reads, period: Period, known: Known) -> Counter[LossKey]:
    lost = LostPages(await _house_pages(held, period, known), known)
    async for charge in held.doubtful_charges(period.from_us, period.to_us):
        lost.add(charge)
    return lost.pages


async def _house_pages(held: Reads, period: Period, known: Known) -> Counter[LossKey]:
    pages: Counter[LossKey] = Counter()
    async for entry in house_entries(held, period):
        posting, unit = entry.posting, "" if entry.stretch is None else entry.stretch.unit.value
        for account, many in posting.legs:
            if is_house(account):
                cause = house_cause(account, entry.stretch, known)
                pages[LossKey(posting.printer, posting.channel, unit, account, cause)] += many
    return pages


async def _known(held: Reads, period: Period, earlier: Period | None) -> Known:
    from_us = max(0, (period if earlier is None else earlier).from_us - LOOK_BACK_US)
    said = {}
    for kind in _OF_PAGES:
        for state in _SPOKEN_OF:
            for one in await _findings(held, FindingFilter(state, kind, None, from_us, period.to_us)):
                closing = closing_of(one)
                if one.reason and closing is not None:
                    said[closing] = one.reason
    diagnosed: dict[str, set[str]] = {}
    # One that is still open holds however long ago it began.
    for state in get_args(FindingState):
        began = FindingFilter(state, "diagnosis", None, 0 if state == "open" else from_us, FOREVER_US)
        for one in await _findings(held, began):
            diagnosed.setdefault(one.printer, set()).add(hypothesis_of(one))
    return Known(said, {printer: frozenset(names) for printer, names in diagnosed.items()})


async def _findings(held: Reads, wanted: FindingFilter) -> list[Finding]:
    found: list[Finding] = []
    after: Place | None = None
    while len(found) < FINDINGS_MAX:
        page = await held.findings_page(wanted, PAGE_MAX, after)
        found += page.findings
        after = page.after
        if after is None:
            break
    return found


def _lines(losses: Sequence[Loss], by: LossesBy) -> list[LossSum]:
    groups: dict[tuple[str | Cause, str, str, bool], list[Loss]] = {}
    for loss in losses:
        key = loss.key
        who = key.printer if by == "printer" else key.cause
        groups.setdefault((who, key.channel, key.unit, key.billed), []).append(loss)
    lines = [_line(who, channel, unit, billed, own) for (who, channel, unit, billed), own in groups.items()]
    return sorted(lines, key=lambda one: (not one.billed, -(abs(one.nobodys) + one.unproven)))


def _line(who: str | Cause, channel: str, unit: str, billed: bool, losses: Sequence[Loss]) -> LossSum:
    accounts: Counter[str] = Counter()
    house = unproven = 0
    for loss in losses:
        accounts[loss.key.account] += loss.pages
        if loss.key.account == UNPROVEN:
            unproven += loss.before or 0
        else:
            house += loss.before or 0
    compared = all(loss.before is not None for loss in losses)
    before = (house, unproven) if compared else (None, None)
    return LossSum(who, channel, unit, billed, accounts, *before)
