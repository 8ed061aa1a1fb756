"""Checks over all that the feeds receive: unknown badges, unreadable cards, silent feeds.

A fold over all badges and start notices of the site in order of time; it touches no page of the ledger.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, TypeVar

from pagereeve.domain.badges.state import (
    CLOCKS_MAX,
    GATEWAYS_DOWN_MAX,
    RECEIVERS_MAX,
    SITES_BEHIND_MAX,
    STRANGERS_MAX,
    ChecksState,
    FeedState,
    ReaderState,
)
from pagereeve.domain.badges.styles import SLIPS
from pagereeve.domain.badges.swipes import SwipeKey, swipe_key
from pagereeve.domain.facts.facts import (
    BadgeOutcome,
    BadgePresented,
    BadgeUnreadable,
    ClockChanged,
    FactDamaged,
    GatewayChecked,
    LossAccepted,
    ReceiverChanged,
    ReleaseStarted,
    SiteChecked,
)
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.findings.conditions import Condition
from pagereeve.domain.ledger import Evidence, Finding, ReleaseKey
from pagereeve.domain.values.instants import SECOND_US

CheckedEvent = (
    BadgePresented
    | BadgeUnreadable
    | ReleaseStarted
    | LossAccepted
    | ReceiverChanged
    | FactDamaged
    | ClockChanged
    | GatewayChecked
    | SiteChecked
)
# A reader is noisy from 19 of 20 refused frames on, and no more from half of them on: between the two it stays.
NOISY_SHARE, QUIET_SHARE = (19, 20), (1, 2)
KINDS: Final[tuple[find.Kind, ...]] = (
    "unknown-badge",
    "badge-owner-differs",
    "badge-elsewhere",
    "badge-in-two-places",
    "reader-noisy",
    "reader-form-changed",
    "reader-flooded",
    "feed-silent",
    "facts-lost",
    "fact-damaged",
    "clock-stepped",
    "clock-not-agreed",
    "receiver-retired",
    "gateway-down",
    "site-behind",
)
# So many badges that nobody owns at one reader within so long: nobody has as many cards (our choice).
FLOOD_BADGES: Final = 10
FLOOD_US: Final = 10 * SECOND_US
# What a release server answers to a badge that it doesn't know.
UNKNOWN_ANSWER: Final[BadgeOutcome] = "unknown"
# Of a fold's short memory: sightings that may still matter. The oldest goes first.
SIGHTINGS_MAX: Final = 50_000
TOO_SHORT: Final = "length"
RELEASES: Final = "release notices"
JOURNAL: Final = "the journal"
CLOCK: Final = "the clock of this machine"

Key = TypeVar("Key")
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class BadgeSighting:
    at_us: int
    gateway: str


@dataclass(frozen=True, slots=True)
class CheckStep:
    """``order``: by instant; of one instant all happenings before all arrivals, each by the event's identity."""

    at_us: int
    event: CheckedEvent
    arrived: bool = False
    order: tuple[int, bool, str, str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        # Thousands are sorted at once: made here, it is made once.
        object.__setattr__(self, "order", (self.at_us, self.arrived, *self.event.origin.key))


@dataclass(slots=True)
class BadgeChecks:
    """``findings`` each bear the instant at which they are settled. Steps come in order.

    Each event is two steps: when it happened, it is compared with what happened near it; when it arrived, its feed was
    connected. A late backlog leaves a silence as it was. ``told_after_us``: steps up to there only refresh
    the short memory, as what they led to is known already.
    """

    rules: SiteRules
    state: ChecksState = field(default_factory=ChecksState)
    told_after_us: int = -1
    findings: list[tuple[int, Finding]] = field(default_factory=list)
    _alone: set[tuple[str, str]] = field(default_factory=set)
    _swipes: OrderedDict[SwipeKey, int] = field(default_factory=OrderedDict)
    _seen: OrderedDict[str, BadgeSighting] = field(default_factory=OrderedDict)
    _unknown: OrderedDict[tuple[str, str], int] = field(default_factory=OrderedDict)

    def take(self, step: CheckStep) -> None:
        policy = self.rules.policy_at(step.at_us)
        if self.state.strangers and step.at_us > self.told_after_us:
            self._settle_strangers(step.at_us)
        match step.event:
            case BadgeUnreadable() if not step.arrived:
                self._unreadable(step.event, step.at_us, policy)
            case LossAccepted() if not step.arrived and step.at_us > self.told_after_us:
                key, what = step.event.origin.key, shown.facts_lost(step.event)
                self._tell("facts-lost", JOURNAL, key, step.at_us, what, ())
            case FactDamaged() if not step.arrived and step.at_us > self.told_after_us:
                self.findings.append((step.at_us, find.of_damage(step.event)))
            case BadgePresented():
                (self._badge_came if step.arrived else self._badge)(step.event, step.at_us, policy)
            case ReleaseStarted():
                (self._start_came if step.arrived else self._started)(step.event, step.at_us, policy)
            case ClockChanged() | ReceiverChanged() | GatewayChecked() | SiteChecked() if not step.arrived:
                self._changed_around(step.event, step.at_us)

    def copied(self) -> BadgeChecks:
        """A fold of its own that goes on from here, without what was found so far."""
        copy = BadgeChecks(self.rules, self.state.copied(), self.told_after_us)
        copy._alone, copy._swipes = set(self._alone), self._swipes.copy()
        copy._seen, copy._unknown = self._seen.copy(), self._unknown.copy()
        return copy

    def open_findings(self) -> list[Finding]:
        return [condition.finding() for condition in self.state.standing()]

    def _changed_around(self, event: ClockChanged | ReceiverChanged | GatewayChecked | SiteChecked, at_us: int) -> None:
        match event:
            case ClockChanged():
                self._clock_changed(event, at_us)
            case ReceiverChanged():
                self._receiver_changed(event, at_us)
            case GatewayChecked():
                self._gateway_checked(event, at_us)
            case SiteChecked():
                self._site_checked(event, at_us)

    # Badges

    def _badge(self, badge: BadgePresented, at_us: int, policy: BadgePolicy) -> None:
        again = self._is_same_swipe(badge, at_us, policy)
        before = self._seen.get(badge.badge)
        _remember(self._seen, badge.badge, BadgeSighting(at_us, badge.gateway))
        known = bool(self.rules.owner_of(badge.badge, at_us))
        unknown = badge.outcome == UNKNOWN_ANSWER or (not known and self.rules.has_directory(at_us))
        tried_us = self._unknown.get((badge.badge, badge.gateway))
        if unknown:
            _remember(self._unknown, (badge.badge, badge.gateway), at_us)
        if again:
            return
        if not unknown:
            self._alone.add(badge.origin.key)
        if at_us <= self.told_after_us:
            return
        reader = self.state.reader(badge.gateway, badge.reader)
        self._frame(reader, at_us, policy, refused="")
        self._style(reader, badge, at_us, policy, known=known)
        self._ebbs(reader, at_us)
        strange = not badge.resembles or badge.resembles in SLIPS
        if unknown and strange and (tried_us is None or at_us - tried_us > policy.nearby_us):
            self._stranger(reader, badge, at_us)
        if before is not None and before.gateway != badge.gateway and at_us - before.at_us < policy.travel_us:
            self._tell_two_places(before, badge, at_us)

    def _badge_came(self, badge: BadgePresented, at_us: int, policy: BadgePolicy) -> None:
        alone = self._was_alone(badge)
        if at_us <= self.told_after_us:
            return
        self._heard(self.state.gateway(badge.gateway), at_us)
        if alone:
            self._unmatched(self.state.releases, RELEASES, at_us, policy, "badges")

    def _was_alone(self, event: BadgePresented | ReleaseStarted) -> bool:
        """Of this event something of the other kind was to be expected."""
        key = event.origin.key
        alone = key in self._alone
        self._alone.discard(key)
        return alone

    def _is_same_swipe(self, badge: BadgePresented, at_us: int, policy: BadgePolicy) -> bool:
        """The step-by-step form of badges.swipes."""
        key = swipe_key(badge)
        last_us = self._swipes.get(key)
        _remember(self._swipes, key, at_us)
        return last_us is not None and at_us - last_us <= policy.swipe_us

    def _style(
        self, reader: ReaderState, badge: BadgePresented, at_us: int, policy: BadgePolicy, *, known: bool
    ) -> None:
        if known:
            reader.otherwise = 0
            self._over(reader.changed, at_us)
            reader.changed = None
        if not badge.resembles:
            return
        if reader.style != badge.resembles or not reader.otherwise:
            reader.style, reader.otherwise, reader.otherwise_since_us = badge.resembles, 0, at_us
        reader.otherwise += 1
        if reader.changed is None and reader.otherwise >= policy.changed_badges:
            what, evidence = shown.written_otherwise(reader.otherwise), (shown.style(reader.style),)
            since_us = reader.otherwise_since_us
            anchor = f"{reader.style} {since_us}"
            reader.changed = Condition("reader-form-changed", reader.place, since_us, anchor, what, evidence)

    def _stranger(self, reader: ReaderState, badge: BadgePresented, at_us: int) -> None:
        """It is told at once, and taken back where it turns out to be part of a flood."""
        if reader.flood is not None:
            reader.strangers, reader.stranger_us = reader.strangers + 1, at_us
            return
        evidence = [shown.answered(badge.outcome)] if badge.outcome else []
        if badge.resembles:
            evidence.append(shown.perhaps_read(badge.resembles))
        anchor = "\n".join(badge.origin.key)
        found = Condition("unknown-badge", reader.place, at_us, anchor, shown.no_owner(), tuple(evidence))
        near = [one for one in self.state.strangers if one.place == reader.place]
        if len(near) + 1 < FLOOD_BADGES:
            self.state.strangers = (*self.state.strangers, found)
            if len(self.state.strangers) > STRANGERS_MAX:
                first, *rest = self.state.strangers
                self.findings.append((at_us, first.finding()))
                self.state.strangers = tuple(rest)
            return
        self.state.strangers = tuple(one for one in self.state.strangers if one.place != reader.place)
        first, reader.strangers, reader.stranger_us = near[0], len(near) + 1, at_us
        what = shown.flooded(FLOOD_BADGES, FLOOD_US // SECOND_US)
        reader.flood = Condition("reader-flooded", reader.place, first.since_us, first.anchor, what)

    def _settle_strangers(self, at_us: int) -> None:
        """What no flood can take back any more."""
        due = [one for one in self.state.strangers if at_us - one.since_us > FLOOD_US]
        if due:
            self.findings += [(at_us, one.finding()) for one in due]
            self.state.strangers = self.state.strangers[len(due) :]

    def _ebbs(self, reader: ReaderState, at_us: int) -> None:
        if reader.flood is not None and at_us - reader.stranger_us > FLOOD_US:
            what = shown.flooded(reader.strangers, (reader.stranger_us - reader.flood.since_us) // SECOND_US + 1)
            self._over(replace(reader.flood, what=what), at_us)
            reader.flood, reader.strangers, reader.stranger_us = None, 0, 0

    def _tell_two_places(self, before: BadgeSighting, badge: BadgePresented, at_us: int) -> None:
        what = shown.two_places(before.gateway, badge.gateway, (at_us - before.at_us) * 1_000 // SECOND_US)
        evidence = [shown.presented(before.at_us, before.gateway), shown.presented(at_us, badge.gateway)]
        place = f"gateways {before.gateway} and {badge.gateway}"
        anchor = badge.origin.key
        self._tell("badge-in-two-places", place, anchor, at_us, what, evidence)

    # Readers

    def _unreadable(self, unreadable: BadgeUnreadable, at_us: int, policy: BadgePolicy) -> None:
        if at_us > self.told_after_us:
            reader = self.state.reader(unreadable.gateway, unreadable.reader)
            short_us = reader.short_us
            if unreadable.reason == TOO_SHORT:
                # Frames of a wrong length one upon the other are keys, or one card: one try of one person.
                reader.short_us = at_us
                if short_us and at_us - short_us <= policy.swipe_us:
                    return
            self._frame(reader, at_us, policy, refused=unreadable.reason)

    def _frame(self, reader: ReaderState, at_us: int, policy: BadgePolicy, *, refused: str) -> None:
        refusals = reader.frame(refused=bool(refused), kept=policy.noisy_frames)
        full = reader.frames >= policy.noisy_frames
        noisy = full and refusals * NOISY_SHARE[1] >= reader.frames * NOISY_SHARE[0]
        if reader.noisy is None and noisy:
            what = shown.noisy(refusals, reader.frames, refused)
            reader.noisy = Condition("reader-noisy", reader.place, at_us, str(at_us), what)
        elif reader.noisy is not None and refusals * QUIET_SHARE[1] <= reader.frames * QUIET_SHARE[0]:
            self._over(reader.noisy, at_us)
            reader.noisy = None

    # Releases and feeds

    def _started(self, started: ReleaseStarted, at_us: int, policy: BadgePolicy) -> None:
        if not started.badge:
            return
        home = self.rules.gateway_of(started.printer, at_us)
        seen = self._seen.get(started.badge)
        nearby = seen if seen is not None and at_us - seen.at_us <= policy.nearby_us else None
        if nearby is None and home:
            self._alone.add(started.origin.key)
        if at_us <= self.told_after_us:
            return
        self._compare_owners(started, at_us)
        if nearby is not None and home and nearby.gateway != home:
            self._tell_elsewhere(started, nearby, home, at_us)

    def _start_came(self, started: ReleaseStarted, at_us: int, policy: BadgePolicy) -> None:
        alone = self._was_alone(started)
        if at_us <= self.told_after_us:
            return
        self._heard(self.state.releases, at_us)
        if alone:
            home = self.rules.gateway_of(started.printer, started.origin.at_us)
            place = f"badge lines of gateway {home}"
            self._unmatched(self.state.gateway(home), place, at_us, policy, "releases")

    def _compare_owners(self, started: ReleaseStarted, at_us: int) -> None:
        owner = self.rules.owner_of(started.badge, at_us)
        if owner and owner_key(owner) != owner_key(started.owner):
            evidence = [_release(started), shown.owners(owner, started.owner)]
            place = f"printer {started.printer}"
            anchor = started.origin.key
            self._tell("badge-owner-differs", place, anchor, at_us, shown.other_owner(), evidence)

    def _tell_elsewhere(self, started: ReleaseStarted, seen: BadgeSighting, home: str, at_us: int) -> None:
        evidence = [_release(started), shown.presented(seen.at_us)]
        place, anchor = f"printer {started.printer}", started.origin.key
        self._tell("badge-elsewhere", place, anchor, at_us, shown.elsewhere(seen.gateway, home), evidence)

    def _heard(self, feed: FeedState, at_us: int) -> None:
        feed.heard, feed.unmatched = True, 0
        self._over(feed.silent, at_us)
        feed.silent = None

    @staticmethod
    def _unmatched(feed: FeedState, place: str, at_us: int, policy: BadgePolicy, others: str) -> None:
        """One notice more that should have had one of this feed beside it."""
        if not feed.heard:
            return
        if not feed.unmatched:
            feed.since_us = at_us
        feed.unmatched += 1
        lasted = at_us - feed.since_us >= policy.silent_us
        if feed.silent is None and feed.unmatched >= policy.silent_after and lasted:
            what = shown.nothing_came(feed.unmatched, others, feed.since_us)
            feed.silent = Condition("feed-silent", place, feed.since_us, str(feed.since_us), what)

    # Our own clocks

    def _clock_changed(self, changed: ClockChanged, at_us: int) -> None:
        """A clock that steps again before it came back is the same trouble."""
        if at_us <= self.told_after_us:
            return
        place = _clock_of(changed.daemon)
        if changed.change != "stepped":
            self._clocks_over(place, at_us)
        if changed.change == "not-agreed":
            what = shown.clock_not_agreed(changed.wall_us, at_us)
            self._clock_begins(Condition("clock-not-agreed", place, at_us, changed.origin.id, what))
        elif changed.change == "stepped":
            what = shown.clock_stepped(changed.before_us, changed.wall_us)
            self._clock_begins(Condition("clock-stepped", place, at_us, changed.origin.id, what))

    def _clocks_over(self, place: str, at_us: int) -> None:
        """Each daemon's is its own. The only one had nobody beside it: what others had said is over with it, and what
        it had said is over once one of several has the journal.
        """
        self._over(self.state.clock, at_us)
        self.state.clock = None
        ended = [one for one in self.state.clocks if place in {one.place, CLOCK}]
        for one in ended:
            self._over(one, at_us)
        self.state.clocks = tuple(one for one in self.state.clocks if one not in ended)

    def _clock_begins(self, condition: Condition) -> None:
        if condition.place == CLOCK:
            self.state.clock = self.state.clock or condition
        elif condition.place not in {one.place for one in self.state.clocks}:
            self.state.clocks = (*self.state.clocks, condition)[-CLOCKS_MAX:]

    # Receivers of alerts

    def _receiver_changed(self, changed: ReceiverChanged, at_us: int) -> None:
        """One that wants nothing again, after a person had spoken, is another trouble."""
        if at_us <= self.told_after_us:
            return
        place = retirement_of(changed).place
        for ended in (one for one in self.state.receivers if one.place == place):
            self._over(ended, at_us)
        others = tuple(one for one in self.state.receivers if one.place != place)
        begun = (retirement_of(changed),) if changed.change == "retired" else ()
        self.state.receivers = (*others, *begun)[-RECEIVERS_MAX:]

    # Gateways

    def _gateway_checked(self, checked: GatewayChecked, at_us: int) -> None:
        """Down twice in a row (by two daemons, say) is one trouble, which lasts."""
        if at_us <= self.told_after_us:
            return
        held = next((one for one in self.state.gateways_down if one.place == _place_of(checked)), None)
        if checked.state == "down" and held is None:
            what = shown.gateway_down(checked)
            begun = Condition("gateway-down", _place_of(checked), at_us, checked.origin.id, what)
            self.state.gateways_down = (*self.state.gateways_down, begun)[-GATEWAYS_DOWN_MAX:]
        elif checked.state == "up" and held is not None:
            self._over(held, at_us)
            self.state.gateways_down = tuple(one for one in self.state.gateways_down if one is not held)

    # Sites that forward

    def _site_checked(self, checked: SiteChecked, at_us: int) -> None:
        """One that is silent, then refused, then only behind has one trouble: until all of it is here."""
        if at_us <= self.told_after_us:
            return
        place = f"site {checked.site}"
        held = next((one for one in self.state.sites_behind if one.place == place), None)
        if checked.state != "whole" and held is None:
            begun = Condition("site-behind", place, at_us, checked.origin.id, shown.site_behind(checked))
            self.state.sites_behind = (*self.state.sites_behind, begun)[-SITES_BEHIND_MAX:]
        elif checked.state == "whole" and held is not None:
            self._over(held, at_us)
            self.state.sites_behind = tuple(one for one in self.state.sites_behind if one is not held)

    # Findings

    def _tell(
        self,
        kind: find.Kind,
        place: str,
        anchor: tuple[str, str],
        at_us: int,
        what: Evidence,
        evidence: Sequence[Evidence],
    ) -> None:
        condition = Condition(kind, place, at_us, "\n".join(anchor), what, tuple(evidence))
        self.findings.append((at_us, condition.finding()))

    def _over(self, condition: Condition | None, at_us: int) -> None:
        if condition is not None:
            self.findings.append((at_us, condition.finding(at_us)))


def _remember(known: OrderedDict[Key, Value], key: Key, value: Value) -> None:
    known[key] = value
    known.move_to_end(key)
    if len(known) > SIGHTINGS_MAX:
        known.popitem(last=False)


def _release(started: ReleaseStarted) -> Evidence:
    return shown.release(ReleaseKey(started.origin.source, started.release))


def retirement_of(changed: ReceiverChanged) -> Condition:
    """What a receiver's retirement begins; ``changed`` says who retired."""
    what = shown.receiver_gone(changed.receiver, changed.target)
    return Condition("receiver-retired", f"receiver {changed.receiver}", changed.origin.at_us, changed.origin.id, what)


def _clock_of(daemon: str) -> str:
    return f"the clock of {daemon}" if daemon else CLOCK


def _place_of(checked: GatewayChecked) -> str:
    return f"gateway {checked.gateway}"


def steps_of(event: CheckedEvent) -> tuple[CheckStep, CheckStep]:
    """An event's happening and its arrival, which is never before it."""
    return CheckStep(event.origin.at_us, event), CheckStep(arrived_us(event), event, arrived=True)


def arrived_us(event: CheckedEvent) -> int:
    return max(event.origin.at_us, event.origin.received_us)
