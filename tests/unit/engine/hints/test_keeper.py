"""One worker that keeps its hints: reloads, duties that begin late or fail, signs of life that can't be given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from pagereeve.engine.hints.keeper import STOOD_STILL_WAIT_S, DutyWork, HintKeeper
from pagereeve.ports.hints import LIFETIME_S, Hint
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.hints import SoleHolder
from tests.property.test_hint_laws import Table, TableHints
from tests.unit.engine.virtual import VirtualClock, passing

OTHER = 9


@dataclass
class Heard:
    """A registry, as the keeper sees one."""

    said: list[tuple[str, Sequence[str]]] = field(default_factory=list)

    def take_up(self, printers: Sequence[str]) -> None:
        self.said.append(("take-up", printers))

    async def let_go(self, printers: Sequence[str]) -> None:
        self.said.append(("let-go", printers))

    async def drop(self, printers: Sequence[str]) -> None:
        self.said.append(("drop", printers))


@dataclass
class Work:
    fails: bool = False
    said: list[str] = field(default_factory=list)

    async def begin(self) -> None:
        if self.fails:
            raise JournalUnavailable("an invented hindrance")
        self.said.append("begin")

    async def end(self) -> None:
        self.said.append("end")

    @property
    def duty(self) -> DutyWork:
        return DutyWork(self.begin, self.end)


def test_a_sole_holder_has_what_a_reload_adds_at_once_and_asks_nothing_before_it_writes() -> None:
    async def story() -> None:
        keeper = HintKeeper(SoleHolder(), VirtualClock(), {"a": "", "b": "g"})
        await keeper.open()
        heard = Heard()
        await keeper.watch(heard)
        assert keeper.gate is None
        await keeper.change({"b": "g", "c": ""})
        assert keeper.holds("b")
        assert keeper.holds("c")
        # Whoever reloads has them watched.
        assert heard.said == []
        await keeper.close()
        assert not keeper.holds("b")

    passing(story())


def test_a_reload_that_could_not_be_told_to_the_others_is_told_with_the_next_sign_of_life() -> None:
    async def story() -> None:
        table = Table(VirtualClock())
        hints = TableHints(table, 1)
        keeper = HintKeeper(hints, table.clock, {"a": "", "b": ""})
        await keeper.open()
        hints.is_cut_off = True
        with pytest.raises(JournalUnavailable):
            await keeper.change({"b": "", "c": ""})
        hints.is_cut_off = False
        await keeper.watch(heard := Heard())
        await keeper._renew_and_share()
        assert (keeper.holds("a"), keeper.holds("b"), keeper.holds("c")) == (False, True, True)
        assert heard.said == [("let-go", ["a"]), ("take-up", ["c"])]

    passing(story())


def test_a_duty_begins_once_and_one_that_could_not_begin_is_tried_again() -> None:
    async def story() -> None:
        table = Table(VirtualClock())
        keeper = HintKeeper(TableHints(table, 1), table.clock, {})
        await keeper.open()
        alerts, titles = Work(), Work(fails=True)
        await keeper.undertake("alerts", alerts.duty)
        with pytest.raises(JournalUnavailable):
            await keeper.undertake("titles", titles.duty)
        titles.fails = False
        await keeper._renew_and_share()
        await keeper._renew_and_share()
        assert (alerts.said, titles.said) == (["begin"], ["begin"])
        table.holder[Hint("duty", "alerts")] = OTHER
        table.until_s[OTHER] = table.now_s + 3 * LIFETIME_S
        await keeper._renew_and_share()
        assert (alerts.said, titles.said) == (["begin", "end"], ["begin"])

    passing(story())


def test_a_writer_waits_after_a_standstill_until_what_is_lost_is_dropped() -> None:
    async def story() -> None:
        clock = VirtualClock()
        table = Table(clock)
        hints = TableHints(table, 1)
        keeper = HintKeeper(hints, clock, {"a": "", "b": ""})
        await keeper.open()
        heard = Heard()
        await keeper.watch(heard)
        began_us = clock.monotonic_us()
        await keeper.held()
        assert clock.monotonic_us() == began_us
        await clock.sleep(LIFETIME_S + 1.0)
        table.until_s[OTHER] = table.now_s + 3 * LIFETIME_S
        table.holder[Hint("printer", "a")] = OTHER
        # Nobody renews: the wait has an end. What is away is nobody's fault, and not waited for.
        began_us = clock.monotonic_us()
        await keeper.held()
        assert clock.monotonic_us() - began_us == STOOD_STILL_WAIT_S * 1_000_000
        keeper.is_away = lambda: True
        await keeper.held()
        keeper.is_away = lambda: False
        await keeper._renew_and_share()
        assert heard.said == [("drop", ["a"])]
        began_us = clock.monotonic_us()
        await keeper.held()
        assert clock.monotonic_us() == began_us
        assert not keeper.holds("a")
        assert keeper.holds("b")

    passing(story())
