"""What comes of an agent's limits: the largest question that works, sums of one answer, restarts, long texts, sleep."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.profile import Profiles, profile_from
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.ber import COUNTER32, COUNTER64, GAUGE32, INTEGER, oid_bytes
from pagereeve.meters.snmp.limits import DOUBT_AFTER_US
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.ports.meter import MeterTarget, UsmUser, Version
from pagereeve.simulator.snmp.bad_habits import HABITS, Asked, Change, Reply
from pagereeve.simulator.snmp.hostile_agent import HostileAgent
from pagereeve.simulator.snmp.light_agent import GET, GETNEXT, oid_content, tlv
from pagereeve.simulator.snmp.mib import HR_DEVICE, HR_PRINTER, LIFE_COUNT, PRT_GENERAL, SYSTEM, Oid, Row
from tests.integration.meter import a_meter, failure, reading, total
from tests.integration.test_hostile_agents import COUNT, rows
from tests.snmp_agents import MachineClock, SeededEntropy

LIFE = oid_content((*LIFE_COUNT, 1, 1))
PARTS = [(1, 3, 6, 1, 4, 1, 99999, 1, 5, part) for part in (1, 2, 3)]
BOTH = frozenset({GET, GETNEXT})
VERSIONS: tuple[Version, ...] = ("1", "2c", "3")


@asynccontextmanager
async def an_agent(
    change: Change = HABITS["good"], kinds: frozenset[int] = BOTH, objects: list[Row] | None = None
) -> AsyncIterator[HostileAgent]:
    agent = HostileAgent(rows() if objects is None else objects, change, kinds)
    await agent.bind("127.0.0.1", 0)
    try:
        yield agent
    finally:
        agent.close()


def target(agent: HostileAgent, version: Version = "2c") -> MeterTarget:
    user = UsmUser("reader") if version == "3" else None
    return MeterTarget(f"p{agent.address[1]}", "127.0.0.1", agent.address[1], version=version, user=user)


def beyond(names: int, habit: str) -> Change:
    """The habit, for more names than that at once."""
    return lambda asked, reply: HABITS[habit](asked, reply) if len(asked.names) > names else reply


async def read_once(meter: SnmpMeter, agent: HostileAgent, read_s: float = 1.0) -> list[Asked]:
    """What one more read, which succeeds, asks for; a request that is sent again on a busy machine counts once."""
    begun = len(agent.asked)
    assert total(await meter.read(target(agent), read_s)) == COUNT
    asked = agent.asked[begun:]
    return [one for one, before in zip(asked, [None, *asked], strict=False) if not before or one.names != before.names]


@pytest.mark.parametrize("version", VERSIONS)
async def test_an_ordinary_poll_is_one_datagram(version: Version) -> None:
    """Also in version 1, which refuses whole requests for the one object that this printer lacks."""
    async with a_meter() as meter, an_agent() as agent:
        assert total(await meter.read(target(agent, version), 2.0)) == COUNT
        begun = meter.stats.sent
        for _ in range(10):
            assert total(await meter.read(target(agent, version), 2.0)) == COUNT
        assert meter.stats.sent - begun == 10
        assert meter.stats.retries == 0


async def settles(meter: SnmpMeter, most: int, habit: str) -> None:
    async with an_agent(beyond(most, habit)) as agent:
        for _ in range(5):
            await read_once(meter, agent)
        settled = await read_once(meter, agent)
        assert max(len(asked.names) for asked in settled) == most, (most, habit)
        assert [asked.names for asked in settled] == [asked.names for asked in await read_once(meter, agent)]
        # The count never comes without the uptime at which it was true.
        assert all(SYS_UP_TIME in asked.names for asked in settled)


async def test_an_agent_of_small_answers_settles_at_the_largest_that_works() -> None:
    # bonomani/devmon#102, inverse-inc/packetfence#2021
    async with a_meter() as meter:
        cases = [(most, habit) for most in (2, 3, 5, 6, 7) for habit in ("too-big-always", "gen-err-always", "silent")]
        await asyncio.gather(*[settles(meter, *case) for case in cases])


async def test_an_agent_of_single_answers_says_its_uptime_before_and_after_the_count() -> None:
    async with a_meter() as meter, an_agent(HABITS["too-big-beyond-1"]) as agent:
        await read_once(meter, agent)
        names = [name for asked in await read_once(meter, agent) for name in asked.names]
        assert names[0] == names[-1] == SYS_UP_TIME
        assert LIFE in names


async def test_a_size_that_failed_is_tried_again_an_hour_later() -> None:
    clock = SkippingClock()
    meter = SnmpMeter.of(clock, SeededEntropy())
    lossy = True

    def change(asked: Asked, reply: Reply) -> Reply | None:
        return None if lossy and len(asked.names) > 3 else reply

    try:
        async with an_agent(change) as agent:
            await read_once(meter, agent)
            assert len(await read_once(meter, agent)) > 1
            lossy = False
            clock.skipped_us = 2 * DOUBT_AFTER_US
            await read_once(meter, agent)
            assert len(await read_once(meter, agent)) == 1
    finally:
        await meter.close()


class SkippingClock(MachineClock):
    skipped_us = 0

    def monotonic_us(self) -> int:
        return super().monotonic_us() + self.skipped_us


def summing() -> Profiles:
    """A total of three objects."""
    objects = ", ".join(f'"{".".join(map(str, part))}"' for part in PARTS)
    text = f"""
        name = "summing"
        maker = "A maker of labels"
        object_ids = ["1.3.6.1.4.1.99999.1"]
        sources = ["a test print"]
        evidence = "Ten pages, ten steps."
        [[channels]]
        name = "total"
        unit = "impressions"
        objects = [{objects}]
        """
    return Profiles([profile_from(text, "summing.toml")])


def sum_rows() -> list[Row]:
    """A printer whose total is the sum of three objects, 100 + 200 + 464."""
    standard = [row for row in rows() if row.oid[:-2] != LIFE_COUNT]
    return [*standard, *(Row(part, "counter", value) for part, value in zip(PARTS, (100, 200, 464), strict=True))]


async def summed(meter: SnmpMeter, most: int, habit: str) -> None:
    parts = {oid_content(part) for part in PARTS}
    async with an_agent(beyond(most, habit), objects=sum_rows()) as agent:
        results = [await meter.read(target(agent), 1.0) for _ in range(2)]
        if most >= len(PARTS):
            assert [total(result) for result in results] == [COUNT, COUNT]
            together = [asked for asked in await read_once(meter, agent) if parts <= set(asked.names)]
            assert SYS_UP_TIME in together[-1].names or most == len(PARTS), (most, habit)
            return
        for result in results:
            ended = failure(result)
            assert ended.reason is SilenceReason.NO_METER, (most, habit)
            assert "a sum is made of one answer or not at all" in ended.detail


async def test_a_sum_is_made_of_one_answer_or_not_at_all() -> None:
    meter = SnmpMeter.of(MachineClock(), SeededEntropy(), profiles=summing())
    habits = ("too-big-always", "gen-err-always", "one-value", "silent")
    try:
        await asyncio.gather(*[summed(meter, most, habit) for most in range(1, 6) for habit in habits])
    finally:
        await meter.close()


@dataclass
class Restarting:
    """Takes two names at once; ``restarts`` says before which answers it starts again."""

    restarts: Callable[[int], bool]
    answers: int = 0
    uptime_cs: int = 900_000

    def __call__(self, asked: Asked, reply: Reply) -> Reply | None:
        if len(asked.names) > 2:
            return Reply((), 1, 0)
        self.answers += 1
        self.uptime_cs = 100 if self.restarts(self.answers) else self.uptime_cs + 1
        return HABITS["good"](asked, Reply(tuple((name, self._value(name, old)) for name, old in reply.bindings)))

    def _value(self, name: bytes, old: bytes) -> bytes:
        return tlv(0x43, self.uptime_cs.to_bytes(4, "big")) if name == SYS_UP_TIME else old


async def test_parts_are_not_combined_across_a_restart_but_asked_for_again() -> None:
    agent_of = Restarting(lambda nth: nth == at)
    at = 0
    async with a_meter() as meter, an_agent(agent_of, frozenset({GET})) as agent:
        await read_once(meter, agent)
        at = agent_of.answers + 3
        asked = await read_once(meter, agent)
        # All of the first answers are asked for again.
        again = [one.names for one in asked[2:]]
        assert [one.names for one in asked[:2]] == again[1:3]


async def test_an_uptime_that_goes_back_all_the_time_is_named() -> None:
    flapping = Restarting(lambda nth: nth > 6)

    def backwards(asked: Asked, reply: Reply) -> Reply | None:
        flapping.uptime_cs -= 100
        return flapping(asked, reply)

    flapping.restarts = lambda _: False
    async with a_meter() as meter, an_agent(backwards, frozenset({GET})) as agent:
        ended = failure(await meter.read(target(agent), 2.0))
        assert ended.reason is SilenceReason.MALFORMED
        assert "its sysUpTime goes back" in ended.detail


async def long_texts(meter: SnmpMeter, octets: int, habit: str, version: Version) -> None:
    texts: list[Oid] = [(*SYSTEM, 1, 0), (*HR_DEVICE, 3, 1), (*HR_PRINTER, 2, 1), (*PRT_GENERAL, 17, 1)]
    objects = [Row(row.oid, row.kind, b"x" * octets) if row.oid in texts else row for row in rows()]
    async with an_agent(HABITS[habit], objects=objects) as agent:
        where = target(agent, version)
        seen = await meter.inspect(where, 1.5)
        assert seen.reading is not None, seen.failure
        assert total(seen.reading) == COUNT
        for text in (seen.identity.serial, seen.identity.model, seen.identity.description):
            assert len(text) <= 255
        assert total(await meter.read(where, 1.5)) == COUNT
        begun = len(agent.asked)
        for _ in range(3):
            assert total(await meter.read(where, 1.5)) == COUNT
        # A text for which there is no room is no longer asked for; those that come one by one take more answers.
        assert len({asked.names for asked in agent.asked[begun:]}) <= (1 if habit != "good" or octets > 8_192 else 6)


async def test_text_that_is_too_long_costs_itself_and_not_the_meter() -> None:
    cases = [
        (octets, habit, version)
        for octets in (4_000, 9_000)
        for habit in ("good", "lost-beyond-1400-bytes")
        for version in VERSIONS
    ]
    async with a_meter() as meter:
        await asyncio.gather(*[long_texts(meter, *case) for case in cases])


def unknown(tag: int, figure: int) -> bytes:
    width = {COUNTER64: 8}.get(tag, 4)
    content = figure.to_bytes(width, "big", signed=True)
    return tlv(tag, content if tag == INTEGER else b"\0" + content)


@pytest.mark.parametrize("figure", [-1, -2, -3])
async def test_a_count_that_is_unknown_while_asleep_is_absence_and_the_meter_is_kept(figure: int) -> None:
    # RFC 3805 section 6: -2 is unknown; agents say so of counters too
    async with a_meter() as meter, an_agent() as agent:
        await read_once(meter, agent)
        awake = agent.values[LIFE]
        for _ in range(3):
            agent.values[LIFE] = unknown(INTEGER, figure)
            asleep = failure(await meter.read(target(agent), 2.0))
            assert asleep.reason is SilenceReason.ASLEEP
            assert "is -1, -2 or -3" in asleep.detail
            agent.values[LIFE] = awake
            await read_once(meter, agent)
        assert meter.stats.discoveries == 1


async def test_a_restart_while_the_count_is_unknown_costs_no_meter_either() -> None:
    # An agent that restarted is looked over again: what it says of its count then is no reason to give the meter up.
    async with a_meter() as meter, an_agent() as agent:
        await read_once(meter, agent)
        awake, uptime = agent.values[LIFE], oid_content((*SYSTEM, 3, 0))
        agent.values[uptime] = tlv(0x43, b"\x05")
        await read_once(meter, agent)
        agent.values[LIFE] = unknown(INTEGER, -2)
        for _ in range(3):
            assert failure(await meter.read(target(agent), 2.0)).reason is SilenceReason.ASLEEP
        agent.values[LIFE] = awake
        await read_once(meter, agent)


def elsewhere() -> list[Row]:
    """The printer at a device index that nobody guesses."""
    return [Row((*row.oid[:-1], 5) if row.oid[:7] != SYSTEM else row.oid, row.kind, row.value) for row in rows()]


@pytest.mark.parametrize(
    ("habit", "words", "advice"),
    [
        ("silent", "never GETNEXT", "Allow GETNEXT"),
        ("walk-stands-still", "do not go forward", "Name a profile"),
        ("ends-all-always", "with the end of its tables", "name a profile"),
    ],
)
async def test_a_walk_that_shows_nothing_makes_no_box_of_a_printer(habit: str, words: str, advice: str) -> None:
    """Its count is where nobody looks without walking: that is said, and not that it is no printer."""
    async with a_meter() as meter, an_agent(HABITS[habit], frozenset({GETNEXT}), elsewhere()) as agent:
        seen = await meter.inspect(target(agent), 1.0)
        ended = failure(await meter.read(target(agent), 1.0))
        for failed in (seen.failure, ended):
            assert failed is not None
            assert failed.reason is SilenceReason.NO_METER
            assert words in failed.detail
            assert advice in failed.detail


@pytest.mark.parametrize("habit", ["backwards", "one-value", "one-more-value", "too-big-beyond-1", "silent-beyond-1"])
async def test_a_walk_of_odd_answers_finds_what_nobody_guesses(habit: str) -> None:
    async with a_meter() as meter, an_agent(HABITS[habit], frozenset({GETNEXT}), elsewhere()) as agent:
        seen = await meter.inspect(target(agent), 1.0)
        assert seen.reading is not None, seen.failure
        assert total(await meter.read(target(agent), 1.0)) == COUNT


@pytest.mark.parametrize(
    ("habit", "words"),
    [
        ("gen-err-for-missing-index-0", "without saying for which object"),
        ("no-such-name-for-missing-index-1", "names an object that it has"),
        ("two-values", "fewer objects than it is asked for"),
        ("backwards", "in another order"),
        ("silent-beyond-2", "larger answers get lost"),
        ("ends-all-where-one-ends", "lacks them where it lacks one"),
        ("uptime-missing", "not even sysUpTime"),
    ],
)
async def test_a_habit_that_costs_no_reading_is_told_all_the_same(habit: str, words: str) -> None:
    notes: list[str] = []
    async with (
        a_meter(MeterHooks(on_note=lambda _, text: notes.append(text))) as meter,
        an_agent(HABITS[habit], frozenset({GET})) as agent,
    ):
        seen = await meter.inspect(target(agent), 1.0)
        assert any(words in note for note in seen.notes)
        for _ in range(3):
            reading(await meter.read(target(agent), 1.0))
        # The daemon logs it once.
        assert sum(words in note for note in notes) == 1


def test_counters_of_every_type_may_say_unknown() -> None:
    from pagereeve.meters.discovery.channels import _is_unknown  # noqa: PLC0415 - no other test needs it
    from pagereeve.meters.snmp.ber import Varbind  # noqa: PLC0415 - no other test needs it

    name = oid_bytes("1.3.6.1.2.1.43.10.2.1.4.1.1")
    for tag in (INTEGER, COUNTER32, GAUGE32, COUNTER64):
        for figure in (-1, -2, -3):
            encoded = unknown(tag, figure)
            assert _is_unknown(Varbind(name, tag, encoded[2:]))
        assert not _is_unknown(Varbind(name, tag, b"\x07"))


async def test_a_habit_of_long_ago_excuses_no_box_that_answers_now() -> None:
    """The printer refuses one object; then the forward falls away and the box answers for itself."""
    async with a_meter() as meter, an_agent(HABITS["authorization-error-for-state"], frozenset({GET})) as agent:
        for _ in range(2):
            await read_once(meter, agent)
        for name in [name for name in agent.values if not name.startswith(oid_content(SYSTEM))]:
            del agent.values[name]
        for _ in range(3):
            assert failure(await meter.read(target(agent), 1.0)).reason is SilenceReason.WRONG_RESPONDER
