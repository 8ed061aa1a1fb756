"""Workers that come, are killed, stand still, wake, are cut off: within two lifetimes each has its fair part, and every
printer has somebody who watches it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.engine.hints.fair_share import given_up, groups_of, part_of, wanted
from pagereeve.engine.hints.keeper import HintKeeper
from pagereeve.ports.hints import LIFETIME_S, RENEW_EVERY_S, Hint, Standing, printers_of
from pagereeve.ports.journal import JournalUnavailable
from tests.unit.engine.virtual import VirtualClock, passing

TWO_LIFETIMES_S = 2 * int(LIFETIME_S)


@dataclass
class Table:
    """The database's rows, and its clock."""

    clock: VirtualClock
    until_s: dict[int, float] = field(default_factory=dict)
    holder: dict[Hint, int | None] = field(default_factory=dict)
    printers: dict[int, frozenset[str]] = field(default_factory=dict)

    @property
    def now_s(self) -> float:
        return self.clock.monotonic_us() / 1_000_000

    def is_alive(self, worker: int | None) -> bool:
        return worker is not None and self.until_s.get(worker, 0.0) > self.now_s


@dataclass
class TableHints:
    table: Table
    me: int
    is_cut_off: bool = False

    @property
    def lifetime_s(self) -> float:
        return LIFETIME_S

    def _reach(self) -> None:
        if self.is_cut_off:
            raise JournalUnavailable("the database does not answer", "away")

    async def open(self, known: Collection[Hint]) -> None:
        await self.offer(known)

    async def offer(self, known: Collection[Hint]) -> None:
        self._reach()
        self.table.printers[self.me] = printers_of(known)
        for one in known:
            self.table.holder.setdefault(one, None)

    async def renew(self) -> Standing:
        self._reach()
        self.table.until_s[self.me] = self.table.now_s + LIFETIME_S
        alive = sorted(one for one in self.table.until_s if self.table.is_alive(one))
        mine = frozenset(one for one, who in self.table.holder.items() if who == self.me)
        return Standing(self.me, alive, mine, {one: self.table.printers.get(one, frozenset()) for one in alive})

    async def take(self, wanted: Sequence[Hint], most: int) -> Sequence[Hint]:
        self._reach()
        free = [one for one in wanted if not self.table.is_alive(self.table.holder[one])]
        self.table.holder |= dict.fromkeys(free[: max(0, most)], self.me)
        return free[: max(0, most)]

    async def give_back(self, hints: Collection[Hint]) -> None:
        self._reach()
        self.table.holder |= {one: None for one in hints if self.table.holder[one] == self.me}

    async def close(self) -> None:
        await self.give_back([one for one, who in self.table.holder.items() if who == self.me])
        del self.table.until_s[self.me]


@dataclass
class Worker:
    hints: TableHints
    keeper: HintKeeper
    next_s: float
    stands_still: bool = False
    watched: set[str] = field(default_factory=set)

    def take_up(self, printers: Sequence[str]) -> None:
        assert not self.watched.intersection(printers)
        self.watched.update(printers)

    async def let_go(self, printers: Sequence[str]) -> None:
        self.watched.difference_update(printers)

    async def drop(self, printers: Sequence[str]) -> None:
        assert self.watched.issuperset(printers)
        self.watched.difference_update(printers)

    async def turn(self) -> None:
        try:
            await self.keeper._renew_and_share()  # what its loop does each time
        except JournalUnavailable:
            self.next_s += 1.0
        else:
            self.next_s += RENEW_EVERY_S


@dataclass
class Site:
    """``unknown``: by the number of a worker, the printers that its settings do not name."""

    gateway_of: Mapping[str, str]
    unknown: Mapping[int, Collection[str]] = field(default_factory=dict)
    clock: VirtualClock = field(default_factory=VirtualClock)
    workers: dict[int, Worker] = field(default_factory=dict)
    alone_s: Counter[str] = field(default_factory=Counter)
    """How long each printer has been without a watcher, or since something befell a worker."""
    born: int = 0

    def __post_init__(self) -> None:
        self.table = Table(self.clock)

    async def join(self) -> None:
        self.born += 1
        hints = TableHints(self.table, self.born)
        keeper = HintKeeper(hints, self.clock, self.known_to(self.born))
        await keeper.open()
        worker = self.workers[self.born] = Worker(hints, keeper, self.table.now_s + RENEW_EVERY_S)
        worker.watched = {name for name in self.gateway_of if keeper.holds(name)}
        await keeper.watch(worker)

    def known_to(self, number: int) -> dict[str, str]:
        unknown = self.unknown.get(number, ())
        return {name: gateway for name, gateway in self.gateway_of.items() if name not in unknown}

    async def befalls(self, what: str, nth: int) -> None:
        self.alone_s.clear()
        if what == "join" and len(self.workers) < 6:
            await self.join()
        if not self.workers or what in ("join", "nothing"):
            return
        number = sorted(self.workers)[nth % len(self.workers)]
        worker = self.workers[number]
        if what == "kill":
            del self.workers[number]
        elif what == "stop" and not worker.stands_still and not worker.hints.is_cut_off:
            await self.workers.pop(number).keeper.close()
        elif what == "freeze":
            worker.stands_still = True
        elif what == "wake":
            worker.stands_still, worker.next_s = False, self.table.now_s
        elif what == "cut-off":
            worker.hints.is_cut_off = True
        elif what == "reached":
            worker.hints.is_cut_off = False

    async def passes(self, seconds: int) -> None:
        for _ in range(seconds):
            await asyncio.sleep(1.0)
            for worker in list(self.workers.values()):
                if not worker.stands_still and worker.next_s <= self.table.now_s:
                    worker.next_s = self.table.now_s
                    await worker.turn()
            self._look()

    def _look(self) -> None:
        going = [one for one in self.workers.values() if not one.stands_still]
        reached = [one for one in going if not one.hints.is_cut_off]
        watched = set().union(*(one.watched for one in going)) if going else set()
        known = set().union(*(one.keeper.gateway_of for one in reached)) if reached else set()
        for name in self.gateway_of:
            self.alone_s[name] = 0 if name in watched or name not in known else self.alone_s[name] + 1
            assert self.alone_s[name] <= TWO_LIFETIMES_S, f"{name} is watched by nobody"

    def parts(self) -> list[int]:
        """Of those that are reached: nobody else counts."""
        reached = [one for one in self.workers.values() if not one.stands_still and not one.hints.is_cut_off]
        everything = [name for one in reached for name in one.watched]
        known = set().union(*(one.keeper.gateway_of for one in reached)) if reached else set()
        assert sorted(everything) == sorted(known), "each printer that anybody knows has one watcher"
        assert all(one.watched <= one.keeper.gateway_of.keys() for one in reached), "who watches a printer knows it"
        return [len(one.watched) for one in reached]


GATEWAYS = st.dictionaries(
    st.integers(0, 99).map("p-{:02}".format), st.sampled_from(["", "", "g-1", "g-2", "g-3"]), max_size=40
)
EVENTS = st.lists(
    st.tuples(
        st.sampled_from(["join", "join", "kill", "stop", "freeze", "wake", "cut-off", "reached", "nothing"]),
        st.integers(0, 5),
        st.integers(0, 25),
    ),
    max_size=25,
)


@given(GATEWAYS, EVENTS)
def test_whatever_befalls_workers_each_has_its_part_within_two_lifetimes(
    gateway_of: dict[str, str], events: list[tuple[str, int, int]]
) -> None:
    async def days() -> None:
        site = Site(gateway_of)
        await site.join()
        for what, nth, seconds in events:
            await site.befalls(what, nth)
            await site.passes(seconds)
        site.alone_s.clear()
        await site.passes(TWO_LIFETIMES_S)
        parts = site.parts()
        assert not parts or max(parts) - min(parts) <= 1

    passing(days())


UNKNOWN = st.dictionaries(st.integers(1, 6), st.sets(st.integers(0, 99).map("p-{:02}".format), max_size=30), max_size=6)


@given(GATEWAYS, EVENTS, UNKNOWN)
def test_a_printer_that_any_worker_knows_is_watched_by_one_that_knows_it(
    gateway_of: dict[str, str], events: list[tuple[str, int, int]], unknown: dict[int, set[str]]
) -> None:
    async def days() -> None:
        site = Site(gateway_of, unknown)
        await site.join()
        for what, nth, seconds in events:
            await site.befalls(what, nth)
            await site.passes(seconds)
        site.alone_s.clear()
        await site.passes(TWO_LIFETIMES_S)
        site.parts()

    passing(days())


@given(st.integers(1, 4), st.dictionaries(st.integers(1, 9), st.frozensets(st.integers(0, 30).map(str)), min_size=1))
def test_groups_divide_all_that_a_worker_knows_and_everybody_sees_the_same_ones(
    nth: int, knows: dict[int, frozenset[str]]
) -> None:
    me = sorted(knows)[nth % len(knows)]
    mine = groups_of(me, knows)
    assert Counter(name for group in mine for name in group.printers) == Counter(knows[me])
    for group in mine:
        for name in group.printers:
            assert group.workers == tuple(sorted(one for one, known in knows.items() if name in known))
        assert all(group in groups_of(other, knows) for other in group.workers)


@given(GATEWAYS, st.integers(1, 5))
def test_a_newcomer_has_its_part_within_a_lifetime(gateway_of: dict[str, str], before: int) -> None:
    async def day() -> None:
        site = Site(gateway_of)
        for _ in range(before):
            await site.join()
            await site.passes(TWO_LIFETIMES_S)
        await site.join()
        await site.passes(int(LIFETIME_S))
        parts = site.parts()
        assert max(parts) - min(parts) <= 1
        assert len(parts) == before + 1

    passing(day())


@given(st.lists(st.integers(1, 1_000_000), min_size=1, unique=True), st.integers(0, 10_000))
def test_all_parts_together_are_all_printers(workers: list[int], printers: int) -> None:
    parts = [part_of(one, workers, printers) for one in workers]
    assert sum(parts) == printers
    assert max(parts) - min(parts) <= 1


@given(GATEWAYS, st.data())
def test_printers_behind_a_gateway_are_given_up_and_wanted_together(
    gateway_of: dict[str, str], data: st.DataObject
) -> None:
    mine = set(data.draw(st.lists(st.sampled_from(sorted(gateway_of)), unique=True))) if gateway_of else set()
    part = data.draw(st.integers(0, 45))
    gone = given_up(mine, part, gateway_of)
    assert len(gone) == max(0, len(mine) - part)
    assert mine.issuperset(gone)
    # At most one gateway is divided by giving up.
    divided = [
        gateway
        for gateway in set(gateway_of.values())
        if 0 < sum(gateway_of[one] == gateway for one in gone) < sum(gateway_of[one] == gateway for one in mine)
    ]
    assert len(divided) <= 1
    others = wanted(mine, gateway_of, gateway_of)
    assert sorted(others) == sorted(gateway_of.keys() - mine)
    # One gateway after another.
    runs = [
        gateway_of[name]
        for nth, name in enumerate(others)
        if not nth or gateway_of[others[nth - 1]] != gateway_of[name]
    ]
    assert len(runs) == len(set(runs))
