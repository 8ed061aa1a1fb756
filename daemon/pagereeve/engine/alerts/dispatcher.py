"""The one owner of alerts: it looks at findings that changed, holds what must be held, and writes messages out."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Collection, Container, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pagereeve.domain.alerts.alert import (
    RANK,
    Alert,
    AlertPolicy,
    SiteLayout,
    begun,
    gathered,
    joined,
    left,
    place_of,
    share_fate,
    shared_place,
)
from pagereeve.domain.alerts.digest import digest
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.alerts.telling import compose, decide, restated
from pagereeve.domain.ledger import SEVERITIES, Finding, Severity
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.outbox import Announcement, Change, Kept
from pagereeve.ports.store import AlertStore

CHANGES_MAX = 500
LOOK_EVERY_S = 1.0
# An alert that is over is still repeated to receivers that keep states, and then forgotten.
KEEP_OVER_US = 3_600 * SECOND_US
# So many messages for one receiver at most: beyond it, new ones are counted and dropped.
WAITING_MAX = 20_000


@dataclass(slots=True)
class AlertDispatcher:
    """``receivers`` by name, with the least severity that each receives.

    ``once`` are those to which a message is sent once: one of them that never had any gets a digest of what is open.
    ``refresh`` is awaited before each look, as what ``around`` calls quiet may have changed. ``on_dropped(receiver)``
    is called for each message for which there is no room. ``waiting_of`` says how many wait.
    """

    store: AlertStore
    clock: Clock
    receivers: Mapping[str, Severity]
    policy: AlertPolicy = field(default_factory=AlertPolicy)
    around: SiteLayout = field(default_factory=SiteLayout)
    every_s: float = LOOK_EVERY_S
    once: Collection[str] = ()
    refresh: Callable[[], Awaitable[None]] | None = None
    waiting_of: Callable[[str], int] = lambda _: 0
    on_dropped: Callable[[str], None] = lambda _: None
    on_told: Callable[[], None] = lambda: None
    heartbeat: Heartbeat = field(init=False)
    _alerts: dict[str, Alert] = field(default_factory=dict)
    _last: dict[str, Notification] = field(default_factory=dict)
    _holding: dict[str, str] = field(default_factory=dict)
    _by_place: dict[tuple[str, str], str] = field(default_factory=dict)
    _may_be_new: bool = True

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def run(self) -> None:
        self.heartbeat.does("reads what is known of alerts", STORE_LONGEST_S)
        await self.open()
        while True:
            self.heartbeat.does("looks at findings that changed", STORE_LONGEST_S)
            more = await self.turn()
            self.heartbeat.succeeded()
            if not more:
                self.heartbeat.rests(self.every_s)
                await self.clock.sleep(self.every_s)

    async def open(self) -> None:
        """What is known of alerts, from the store."""
        self._alerts, self._last, self._holding, self._by_place = {}, {}, {}, {}
        self._may_be_new = True
        for alert, last in await self.store.alerts():
            self._keep(alert)
            if last is not None:
                self._last[alert.id] = last

    def change(self, receivers: Mapping[str, Severity], once: Collection[str]) -> None:
        """From now on these; one that is new gets its digest at the next turn."""
        self.receivers, self.once, self._may_be_new = receivers, once, True

    async def turn(self) -> bool:
        """Look at what changed and at what runs out, once; True where more changes wait.

        Once it raised, ``open`` must come first: what could not be stored never happened, and is looked at again.
        """
        changes = await self.store.changes(CHANGES_MAX)
        before = dict(self._alerts)
        await self._turn(changes, before)
        return len(changes) == CHANGES_MAX

    async def _turn(self, changes: Sequence[Change], before: Mapping[str, Alert]) -> None:
        now_us = self.clock.now_us()
        for name in dict.fromkeys(change.finding for change in changes):
            # Each may wait in line behind a full queue: many of them take long, and nothing is stuck.
            self.heartbeat.does("looks at a finding that changed", STORE_LONGEST_S)
            self._apply(name, await self.store.finding(name), now_us)
        await self._look_up_more(now_us)
        if self.refresh is not None:
            await self.refresh()
        messages, forgotten = self._look(now_us)
        altered = [one for one in self._alerts.values() if before.get(one.id) != one]
        addressed = [pair for message in messages for pair in self._addressed(message)]
        addressed += await self._digests({message.alert for message in messages}, now_us)
        if not (changes or altered or forgotten or addressed):
            return
        kept: list[Kept] = [(one, self._last.get(one.id)) for one in altered]
        gone = [name for name in forgotten if name in before]
        self.heartbeat.does("stores what is to be sent", STORE_LONGEST_S)
        await self.store.announce(Announcement([one.number for one in changes], kept, gone, addressed))
        if addressed:
            self.on_told()

    def _apply(self, name: str, finding: Finding | None, now_us: int) -> None:
        holder = self._alerts.get(self._holding.get(name, ""))
        if finding is not None and finding.state == "open":
            if holder is None:
                holder = self._holder_at(finding)
            self._keep(begun(finding, self.around, now_us) if holder is None else joined(holder, finding, now_us))
        elif holder is not None:
            self._keep(left(holder, name, finding, now_us))
            del self._holding[name]

    def _holder_at(self, finding: Finding) -> Alert | None:
        """The alert of its place: its gateway's while there is one, else its printer's own."""
        for subject in (shared_place(finding, self.around), place_of(finding, self.around)[0]):
            known = self._by_place.get((finding.kind, subject))
            if known is not None:
                return self._alerts[known]
        return None

    async def _look_up_more(self, now_us: int) -> None:
        """An alert whose findings are all over may have others, for which it had no room: it is not over then."""
        emptied = [one for one in self._alerts.values() if one.more and not one.members and one.ended_us is None]
        if not emptied:
            return
        for alert in emptied:
            self._keep(replace(alert, more=False))
        for finding in await self.store.findings(only_open=True):
            if finding.id not in self._holding:
                self._apply(finding.id, finding, now_us)

    def _keep(self, alert: Alert) -> None:
        self._alerts[alert.id] = alert
        self._holding |= dict.fromkeys(alert.members, alert.id)
        if alert.ended_us is None:
            self._by_place[alert.kind, alert.subject] = alert.id
        elif self._by_place.get((alert.kind, alert.subject)) == alert.id:
            del self._by_place[alert.kind, alert.subject]

    def _look(self, now_us: int) -> tuple[list[Notification], list[str]]:
        messages: list[Notification] = []
        forgotten: list[str] = []
        waiting = list(self._alerts)
        for name in waiting:
            alert = self._alerts.get(name)
            if alert is None:
                continue  # looked at twice, and forgotten the first time
            decision, after = decide(alert, self.policy, self.around, now_us)
            together = share_fate(after, self._alerts.values(), self.around) if decision == "opened" else []
            if together:
                waiting += self._gather(together, now_us)
                continue
            if decision is not None and decision != "forget":
                after, message = compose(after, decision, self.around, now_us)
                self._last[alert.id] = message
                messages.append(message)
            if decision == "forget" or (after.ended_us is not None and now_us - after.told_us > KEEP_OVER_US):
                self._forget(alert)
                forgotten.append(alert.id)
            elif after is not alert:
                self._keep(after)
        return messages, forgotten

    def _gather(self, together: Sequence[Alert], now_us: int) -> list[str]:
        """The gateway's alert instead of its printers'. Names all that must be looked at again."""
        whole, parts = gathered(together, now_us)
        for one in (*parts, whole):
            self._keep(one)
        return [one.id for one in (*parts, whole)]

    def _forget(self, alert: Alert) -> None:
        del self._alerts[alert.id]
        self._last.pop(alert.id, None)
        if self._by_place.get((alert.kind, alert.subject)) == alert.id:
            del self._by_place[alert.kind, alert.subject]

    def _addressed(self, message: Notification) -> list[tuple[str, Notification]]:
        wanted = [name for name, least in self.receivers.items() if RANK[message.severity] >= RANK[least]]
        full = [name for name in wanted if self.waiting_of(name) >= WAITING_MAX]
        for name in full:
            self.on_dropped(name)
        return [(name, message) for name in wanted if name not in full]

    async def _digests(self, told_now: Container[str], now_us: int) -> list[tuple[str, Notification]]:
        """One for each receiver that never had a message: that it waits is stored with it, so it is sent once."""
        if not self._may_be_new:
            return []
        self._may_be_new = False
        known = await self.store.queues()
        listed = [one for one in self._alerts.values() if one.told and one.ended_us is None and one.id not in told_now]
        digests: list[tuple[str, Notification]] = []
        for name, least in self.receivers.items():
            mine = [one for one in listed if RANK[one.severity] >= RANK[least]]
            if mine and name in self.once and name not in known:
                digests.append((name, digest(name, mine, self.around.zone, now_us)))
        return digests

    def standing(self, least: Severity, over_us: int) -> list[Notification]:
        """What to say of each alert that is open, or has been over for less than ``over_us``: for states."""
        now_us = self.clock.now_us()
        told = [(one, self._last[one.id]) for one in self._alerts.values() if one.id in self._last]
        known = [(one, last) for one, last in told if one.ended_us is None or now_us - one.told_us < over_us]
        return [restated(one, last, self.around) for one, last in known if RANK[last.severity] >= RANK[least]]

    def open_alerts(self) -> Mapping[str, int]:
        """Alerts that were sent and are not over, by severity."""
        counts: dict[str, int] = dict.fromkeys(SEVERITIES, 0)
        for one in self._alerts.values():
            if one.told and one.ended_us is None:
                counts[one.severity] += 1
        return counts
