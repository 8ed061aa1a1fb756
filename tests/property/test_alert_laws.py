"""The laws of telling, over random days of findings at a few printers, with deaths anywhere and a receiver that comes
and goes: nothing that stood longer than its hold is untold, each alert begins once and is over once, in order.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.alerts.alert import AlertPolicy, SiteLayout
from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.dispatcher import AlertDispatcher
from pagereeve.store.memory.journal import MemoryJournal
from tests.findings import said
from tests.unit.engine.virtual import passing

MINUTE_US = 60 * SECOND_US
POLICY = AlertPolicy(hold_us=2 * MINUTE_US, hold_over_us=10 * MINUTE_US, again_us=60 * MINUTE_US)
PRINTERS = ("p-1", "p-2", "p-3", "lone")
AROUND = SiteLayout({"p-1": "gate", "p-2": "gate", "p-3": "gate"}, {"gate": 3})
KINDS: tuple[Kind, ...] = ("surplus", "stray-pages", "meter-silent")

Step = tuple[str, str, Kind, int]

steps = st.tuples(
    st.sampled_from(("open", "over", "gone", "die")),
    st.sampled_from(PRINTERS),
    st.sampled_from(KINDS),
    st.integers(0, 2),
)
days = st.lists(st.tuples(st.lists(steps, max_size=3), st.integers(1, 15)), max_size=25)


@dataclass
class HandClock:
    us: int = 1_767_268_800 * SECOND_US

    def now_us(self) -> int:
        return self.us

    def monotonic_us(self) -> int:
        return self.us

    async def sleep(self, seconds: float) -> None:
        self.us += int(seconds * SECOND_US)


@dataclass
class Town:
    clock: HandClock = field(default_factory=HandClock)
    store: MemoryJournal = field(default_factory=MemoryJournal)
    findings: dict[str, dict[str, Finding]] = field(default_factory=dict)

    async def begin(self) -> None:
        self.dispatcher = AlertDispatcher(self.store, self.clock, {"desk": "info"}, POLICY, AROUND)
        await self.dispatcher.open()

    async def do(self, step: Step) -> None:
        what, printer, kind, number = step
        if what == "die":
            await self.begin()
            return
        finding = make(kind, printer, (number,), number, said(f"text {number}"), [said("line")])
        known = self.findings.setdefault(printer, {})
        if what == "gone":
            known.pop(finding.id, None)
        elif what == "open":
            known[finding.id] = finding
        elif finding.id in known:
            known[finding.id] = replace(finding, state="closed", until_us=self.clock.us)
        await self.store.replace(printer, None, [RowSegment(printer, 0, None, findings=tuple(known.values()))])

    async def minutes(self, number: int) -> None:
        for _ in range(number):
            self.clock.us += MINUTE_US
            while await self.dispatcher.turn():
                pass

    def open_places(self) -> set[tuple[str, str]]:
        known = [one for printer in self.findings.values() for one in printer.values() if one.state == "open"]
        return {(one.kind, one.printer) for one in known}


def _told_as(place: tuple[str, str]) -> set[tuple[str, str]]:
    """As the printer; or, where all behind a gateway fell silent together, as the gateway."""
    kind, printer = place
    gateway = AROUND.gateway_of.get(printer, "")
    return {place, (kind, f"gateway {gateway}")} if gateway and kind == "meter-silent" else {place}


@given(day=days)
def test_what_stands_is_told_once_and_what_is_over_is_told_as_over(day: list[tuple[list[Step], int]]) -> None:
    async def story() -> None:
        town = Town()
        await town.begin()
        for events, minutes in day:
            for event in events:
                await town.do(event)
            await town.minutes(minutes)
        await town.minutes(15)
        messages = await town.store.waiting("desk", 10_000)
        by_alert: dict[str, list[str]] = {}
        for message in sorted(messages, key=lambda one: one.nth):
            by_alert.setdefault(message.alert, []).append(message.step)
        for told in by_alert.values():
            assert told[0] == "opened"
            assert told.count("opened") == 1
            assert "resolved" not in told[:-1]
        assert len({one.id for one in messages}) == len(messages)
        standing = [
            (one.kind, one.subject) for one in messages if by_alert[one.alert][-1] != "resolved" and one.nth == 1
        ]
        # Two alerts of one kind never stand at one place, and what is open after its hold is in one of them.
        assert len(standing) == len(set(standing))
        places = town.open_places()
        assert all(len(_told_as(place) & set(standing)) == 1 for place in places)
        assert set(standing) <= {told for place in places for told in _told_as(place)}

    passing(story())


@given(day=days)
def test_deaths_change_nothing_of_what_is_told(day: list[tuple[list[Step], int]]) -> None:
    async def told(*, dying: bool) -> list[tuple[str, str, int, int]]:
        town = Town()
        await town.begin()
        for events, minutes in day:
            for event in events:
                if event[0] != "die" or dying:
                    await town.do(event)
            await town.minutes(minutes)
        messages = await town.store.waiting("desk", 10_000)
        return [(one.alert, one.step, one.nth, one.at_us) for one in messages]

    async def story() -> None:
        assert await told(dying=True) == await told(dying=False)

    passing(story())
