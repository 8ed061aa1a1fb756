"""Every bad habit, of GET, GETNEXT and both, in each version: `pagereeve read` and the daemon end in the same reading,
or in the same reason, which names the habit.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from pagereeve.domain.facts.reading import Failure, Reading, Sight, SilenceReason
from pagereeve.meters.reader import SnmpMeter
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import MeterTarget, UsmUser, Version
from pagereeve.simulator.snmp.bad_habits import HABITS
from pagereeve.simulator.snmp.hostile_agent import HostileAgent
from pagereeve.simulator.snmp.light_agent import GET, GETNEXT
from pagereeve.simulator.snmp.mib import HR_DEVICE, HR_PRINTER, PRT_GENERAL, PRT_MARKER, SYSTEM, Row
from tests.integration.meter import a_meter

COUNT, SERIAL = 764, "PR-TEST-0001"
KINDS = {"GET": frozenset({GET}), "GETNEXT": frozenset({GETNEXT}), "both": frozenset({GET, GETNEXT})}
# The daemon may need a few reads to learn what an agent puts up with.
READS_MAX = 4
READ_S, INSPECT_S = 0.8, 1.6
VERSIONS: Sequence[Version] = ("1", "2c", "3")
# Those that wait spend no processor time and go side by side; of the others a few at a time.
WAITING = frozenset({"silent", "silent-beyond-1", "silent-beyond-2", "silent-about-missing", "cut-at-150-bytes"})
BUSY_AT_ONCE = 8


@dataclass(frozen=True)
class Case:
    habit: str
    kind: str
    version: Version


@dataclass(frozen=True)
class Ends:
    """The reason in which a case ends, and words of it; without a reason in the reading that a good agent gives."""

    reason: SilenceReason | None = None
    words: str = ""


MALFORMED = SilenceReason.MALFORMED
# What is not here ends in a reading; a habit of both kinds ends as it does for GET alone, if not otherwise said.
ENDS: dict[tuple[str, str], Ends] = {
    ("too-big-always", "GET"): Ends(MALFORMED, "calls the answer about a single object too big"),
    ("gen-err-always", "GET"): Ends(MALFORMED, "refuses objects with an error (such as genErr)"),
    ("no-values", "GET"): Ends(MALFORMED, "answers without any value"),
    ("other-names", "GET"): Ends(MALFORMED, "answers about other objects"),
    ("ends-all-always", "GET"): Ends(SilenceReason.NO_METER, "not even sysUpTime"),
    ("silent", "GET"): Ends(SilenceReason.TIMEOUT, "answers GETNEXT but never GET"),
    ("silent", "both"): Ends(SilenceReason.TIMEOUT, "no answer from"),
}


def rows() -> list[Row]:
    """A printer beside another device, without a count since power-on: whoever walks on comes to the end of the MIB."""
    return [
        Row((*SYSTEM, 1, 0), "octets", b"a test printer"),
        Row((*SYSTEM, 2, 0), "oid", (1, 3, 6, 1, 4, 1, 99999, 1, 7)),
        Row((*SYSTEM, 3, 0), "ticks", 900_000),
        Row((*HR_DEVICE, 2, 0), "oid", (1, 3, 6, 1, 2, 1, 25, 3, 1, 6)),
        Row((*HR_DEVICE, 2, 1), "oid", (1, 3, 6, 1, 2, 1, 25, 3, 1, 5)),
        Row((*HR_DEVICE, 3, 1), "octets", b"test model"),
        Row((*HR_PRINTER, 1, 1), "integer", 3),
        Row((*HR_PRINTER, 2, 1), "octets", b"\x00"),
        Row((*PRT_GENERAL, 1, 1), "counter", 3),
        Row((*PRT_GENERAL, 17, 1), "octets", SERIAL.encode()),
        Row((*PRT_MARKER, 3, 1, 1), "integer", 7),
        Row((*PRT_MARKER, 4, 1, 1), "counter", COUNT),
    ]


def target(agent: HostileAgent, version: Version, printer: str = "p1") -> MeterTarget:
    user = UsmUser("reader") if version == "3" else None
    return MeterTarget(printer, "127.0.0.1", agent.address[1], version=version, user=user)


async def both_ways(meter: SnmpMeter, case: Case) -> tuple[Inspection, list[Reading | Failure]]:
    """What `pagereeve read` shows, and what the daemon comes to within a few reads; each meets a fresh agent."""
    agents = [HostileAgent(rows(), HABITS[case.habit], KINDS[case.kind]) for _ in range(2)]
    try:
        for agent in agents:
            await agent.bind("127.0.0.1", 0)
        name = f"{case.habit} {case.kind} {case.version}"
        seen = await meter.inspect(target(agents[0], case.version, f"{name} inspected"), INSPECT_S)
        where = target(agents[1], case.version, f"{name} read")
        results = [await meter.read(where, READ_S)]
        while len(results) < READS_MAX and not _settled(results):
            results.append(await meter.read(where, READ_S))
        return seen, results
    finally:
        for agent in agents:
            agent.close()


def _settled(results: Sequence[Reading | Failure]) -> bool:
    return isinstance(results[-1], Reading) or len(results) >= 2


def faults(case: Case, seen: Inspection, results: Sequence[Reading | Failure], good: Sight) -> Iterator[str]:
    ends = ENDS.get((case.habit, case.kind)) or ENDS.get((case.habit, "GET" if case.kind == "both" else ""), Ends())
    for way, result in (("read", seen.reading or seen.failure), ("daemon", results[-1])):
        assert result is not None
        if isinstance(result, Failure):
            if ends.reason is not result.reason or ends.words not in result.detail:
                yield f"{case} {way}: {result.reason}: {result.detail}"
        elif ends.reason is not None:
            yield f"{case} {way}: a reading, {result}"
        elif (result.sight.counts, result.sight.serial) != (good.counts, SERIAL):
            yield f"{case} {way}: {result.sight}"
    last = results[-1]
    if seen.reading and isinstance(last, Reading) and _shown(seen.reading.sight) != _shown(last.sight):
        yield f"{case}: read shows {seen.reading.sight}, the daemon {last.sight}"


def _shown(sight: Sight) -> Sight:
    return replace(sight, responder="")


@dataclass
class Judge:
    """``good`` is what a good agent shows, by version."""

    meter: SnmpMeter
    good: dict[Version, Sight] = field(default_factory=dict)
    busy: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(BUSY_AT_ONCE))

    async def faults(self, case: Case) -> list[str]:
        if case.habit in WAITING:
            return list(faults(case, *await both_ways(self.meter, case), self.good[case.version]))
        async with self.busy:
            return list(faults(case, *await both_ways(self.meter, case), self.good[case.version]))


async def test_every_habit_ends_alike_both_ways() -> None:
    async with a_meter() as meter:
        judge = Judge(meter)
        for version in VERSIONS:
            seen, _ = await both_ways(meter, Case("good", "both", version))
            assert seen.reading is not None
            judge.good[version] = seen.reading.sight
        every = [Case(habit, kind, version) for habit in HABITS for kind in KINDS for version in VERSIONS]
        found = await asyncio.gather(*[judge.faults(case) for case in every])
    listed = [text for one in found for text in one]
    assert not listed, "\n".join(listed)
