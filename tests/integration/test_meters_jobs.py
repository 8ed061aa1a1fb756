"""The printer's job table over the conversation that reads its meter: RFC 2707, three kinds of agents, bad habits."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

from pagereeve.domain.facts.jobs import JobCounts
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.ber import INTEGER, oid_label
from pagereeve.meters.snmp.message import GET_NEXT
from pagereeve.ports.jobs import JobRow, JobsLook
from pagereeve.ports.meter import MeterTarget
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.agent import PrinterAgent
from tests.integration.foreign import COMMUNITY, SERVER, PrinterObjects, Snmpd, free_port
from tests.integration.meter import a_meter, reading, total
from tests.snmp_agents import PRINTER_OBJECT_ID, MachineClock, Mib, MibAgent, Request, mib_agent, printer_mib, small

R = "1.3.6.1.4.1.2699.1.1.1"
SYS_UP_TIME = "1.3.6.1.2.1.1.3.0"
# A table of a job that is over, one at work and one that waits; the last figure of each row is its impressions.
JOB_TABLE = {41: (9, 524288, 5), 42: (5, 4096, 7), 43: (3, 0, 0)}
Version = Literal["1", "2c"]


def general(active: int, oldest: int, newest: int, job_set: int = 1) -> Mib:
    figures = enumerate((active, oldest, newest, 60, 60), 2)
    return {f"{R}.1.1.1.{column}.{job_set}": small(value) for column, value in figures}


def row(job: int, state: int, reasons: int, made: int, job_set: int = 1) -> Mib:
    place = f"{job_set}.{job}"
    return {
        f"{R}.3.1.1.2.{place}": small(state),
        f"{R}.3.1.1.3.{place}": small(reasons),
        f"{R}.3.1.1.8.{place}": small(made),
        f"{R}.3.1.1.9.{place}": (4, b"somebody"),
    }


def job_mib(job_set: int = 1) -> Mib:
    mib = printer_mib() | general(2, 42, 43, job_set)
    for job, (state, reasons, made) in JOB_TABLE.items():
        mib |= row(job, state, reasons, made, job_set)
    return mib


async def looked(meter: SnmpMeter, target: MeterTarget, *, busy: bool = True) -> Sequence[JobsLook]:
    reading(await meter.read(target, 2.0))
    return await meter.look(target, 2.0, busy=busy)


async def one_look(meter: SnmpMeter, target: MeterTarget) -> dict[int, JobRow]:
    (look,) = await looked(meter, target)
    return {one.job: one for one in look.rows}


def asked(agent: MibAgent) -> Iterator[str]:
    return (oid_label(name) for request in agent.requests for name in request.names)


@pytest.mark.parametrize("version", ["1", "2c"])
@pytest.mark.parametrize("job_set", [1, 7])
async def test_rows_are_found_once_and_followed_with_the_meter(version: Version, job_set: int) -> None:
    agent = MibAgent(job_mib(job_set))
    async with a_meter() as meter, mib_agent(agent) as raw:
        target = raw.target(version=version)
        assert await looked(meter, target) == ()
        rows = await one_look(meter, target)
        assert {job: (one.state, one.counts.impressions) for job, one in rows.items()} == {
            42: ("processing", 7),
            43: ("pending", 0),
        }
        agent.mib |= row(42, 9, 524288, 20, job_set)
        for kind, made in ((151, 11), (131, 20), (114, 2), (24, 4), (25, 3)):
            agent.mib[f"{R}.4.1.1.3.{job_set}.42.{kind}.1"] = small(made)
        done = (await one_look(meter, target))[42]
        assert done == JobRow(42, "completed", JobCounts(20, 11, 20, 2), 524288, 4, 3)


async def test_a_resting_printer_costs_no_request_more_and_a_new_job_two() -> None:
    agent = MibAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        for _ in range(3):
            await looked(meter, raw.target())
        before = len(agent.requests)
        (look,) = await looked(meter, raw.target())
        assert len(agent.requests) == before + 1
        assert max(map(len, raw.received)) < 484
        assert (look.whole, look.gone) == (True, ())
        # Two came at once; the second is found by the newest, or behind the first.
        agent.mib |= general(4, 42, 45) | row(44, 3, 0, 0) | row(45, 3, 0, 0)
        assert set(await one_look(meter, raw.target())) == {42, 43, 44, 45}
        assert len(agent.requests) == before + 4
        assert not any(request.pdu_tag == GET_NEXT for request in agent.requests[before:])


async def test_a_job_that_came_and_went_between_two_reads_is_found_and_one_that_went_is_gone() -> None:
    agent = MibAgent(job_mib() | general(0, 0, 0))
    async with a_meter() as meter, mib_agent(agent) as raw:
        await looked(meter, raw.target())
        # No job is active, so that the newest active one is 0 (RFC 2707 jmGeneralNewestActiveJobIndex).
        agent.mib |= row(44, 9, 524288, 3)
        assert (await one_look(meter, raw.target()))[44].state == "completed"
        for name in [name for name in agent.mib if name.startswith(f"{R}.3.1.1.") and name.endswith(".42")]:
            del agent.mib[name]
        (look,) = await looked(meter, raw.target())
        assert look.gone == ((1, 42),)


async def test_numbers_that_begin_anew_are_another_epoch() -> None:
    agent = MibAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        await looked(meter, raw.target())
        await looked(meter, raw.target())
        agent.mib = printer_mib() | general(1, 1, 1) | row(1, 5, 0, 2)
        await looked(meter, raw.target())
        rows = await one_look(meter, raw.target())
        assert (rows[1].epoch, rows[1].counts.impressions) == (2, 2)


@pytest.mark.parametrize(
    ("shown", "made"),
    [
        # RFC 2707 section 3.3.2: -2 unknown, -1 other; apple/cups#2427: a count that never can be.
        (-2, None),
        (-1, None),
        (-2129748404, None),
        (2**31 - 1, 2**31 - 1),
        (0, 0),
    ],
)
async def test_what_is_no_count_is_unknown(shown: int, made: int | None) -> None:
    agent = MibAgent(job_mib() | row(42, 5, 0, shown))
    async with a_meter() as meter, mib_agent(agent) as raw:
        await looked(meter, raw.target())
        assert (await one_look(meter, raw.target()))[42].counts == JobCounts(made)


async def test_an_agent_that_takes_few_names_keeps_its_meter_and_is_asked_apart() -> None:
    agent = MibAgent(job_mib(), names_max=10)
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert await looked(meter, raw.target()) == ()
        before = len(agent.requests)
        assert total(await meter.read(raw.target(), 2.0)) == 764
        # One that is too big, and at once the meter's own.
        assert len(agent.requests) - before == 2
        assert len(await meter.look(raw.target(), 2.0, busy=True)) == 1
        before = len(agent.requests)
        assert total(await meter.read(raw.target(), 2.0)) == 764
        assert len(agent.requests) - before == 1


@dataclass
class LosingAgent(MibAgent):
    """Of more names than ``names_max`` at once the answers get lost on their way."""

    def answer(self, data: bytes) -> bytes | None:
        return None if len(Request.of(data).names) > self.names_max else super().answer(data)


async def test_a_path_that_loses_larger_answers_costs_no_reading_and_the_meters_own_size_stays() -> None:
    agent = LosingAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert await looked(meter, raw.target()) == ()
        agent.names_max = 10
        begun_us = MachineClock().monotonic_us()
        assert total(await meter.read(raw.target(), 2.0)) == 764
        assert MachineClock().monotonic_us() - begun_us < 1_500_000
        before = len(agent.requests)
        assert total(await meter.read(raw.target(), 2.0)) == 764
        assert len(await meter.look(raw.target(), 2.0, busy=True)) == 1
        later = agent.requests[before:]
        # The meter's own values in one request, as ever: nothing was learnt of the agent.
        own, *jobs = [{*map(oid_label, one.names)} for one in later]
        assert not any(label.startswith(R) for label in own)
        assert all(label.startswith(R) for names in jobs for label in names - {SYS_UP_TIME})


async def test_after_one_lost_answer_jobs_are_asked_for_beside_the_meter_as_before() -> None:
    agent = LosingAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert await looked(meter, raw.target()) == ()
        usual, agent.names_max = agent.names_max, 10
        assert total(await meter.read(raw.target(), 2.0)) == 764
        agent.names_max, before = usual, len(agent.requests)
        assert total(await meter.read(raw.target(), 2.0)) == 764
        (both,) = agent.requests[before:]
        assert any(oid_label(name).startswith(R) for name in both.names)


async def test_a_printer_without_a_table_is_asked_once_and_not_again() -> None:
    agent = MibAgent(printer_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert await looked(meter, raw.target()) == ()
        before = len(agent.requests)
        for _ in range(3):
            assert await looked(meter, raw.target()) == ()
        assert len(agent.requests) - before == 3


async def test_nothing_that_may_name_a_person_is_asked_for_nor_shown() -> None:
    agent = MibAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        for _ in range(3):
            looks = await looked(meter, raw.target())
            assert "somebody" not in repr(looks)
    # jmJobOwner; submission ids; and of the attributes only counts, kinds of work and ways in.
    kinds = {label.removeprefix(f"{R}.4.1.1.3.").split(".")[2] for label in asked(agent) if f"{R}.4." in label}
    assert kinds <= {"24", "25", "114", "131", "151"}
    assert not [label for label in asked(agent) if label.startswith((f"{R}.3.1.1.9", f"{R}.2."))]


async def test_a_question_about_jobs_that_is_lost_is_counted_and_costs_no_reading() -> None:
    agent = MibAgent(job_mib())
    async with a_meter() as meter, mib_agent(agent) as raw:
        reading(await meter.read(raw.target(), 2.0))
        agent.versions = ()
        assert await meter.look(raw.target(), 0.3, busy=True) == ()
        assert meter.stats.oddities()["failed-look"] == 1
        agent.versions = (0, 1)
        assert total(await meter.read(raw.target(), 2.0)) == 764


async def test_the_simulated_printer_tells_of_its_jobs() -> None:
    clock = MachineClock()
    spec = PrinterSpec("sim", impressions_per_minute=6000, first_sheet_us=1000, warm_up_us=0, job_rows="counted")
    engine = PrintEngine(spec, 1, clock.now_us())
    agent = PrinterAgent(engine, clock)
    await agent.start()
    try:
        async with a_meter() as meter:
            target = MeterTarget("sim", *agent.address)
            await looked(meter, target)
            engine.submit(PrintJob("j1", 3), clock.now_us())
            await clock.sleep(0.2)
            rows = await one_look(meter, target)
            assert rows[1] == JobRow(1, "completed", JobCounts(3, 3), 0x80000, 4)
    finally:
        await agent.stop()


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_a_foreign_agents_rows_are_read(tmp_path: Path, version: Version) -> None:
    """Debian's snmpd over its pass_persist protocol."""
    table, server = tmp_path / "jobs", tmp_path / "serve_jobs.py"
    server.write_text(SERVER)
    figures = general(2, 42, 43)
    for job, one in JOB_TABLE.items():
        figures |= row(job, *one)
    lines = [f"{oid} integer {int.from_bytes(value, 'big')}" for oid, (tag, value) in figures.items() if tag == INTEGER]
    table.write_text("\n".join(lines) + "\n")
    base, port = "1.3.6.1.4.1.2699", free_port()
    more = [f"pass_persist .{base} {sys.executable} {server} {table} {base}"]
    objects = PrinterObjects(tmp_path / "objects")
    listen = f"127.0.0.1:{port}"
    with Snmpd(tmp_path / "snmpd", object_id=PRINTER_OBJECT_ID, listen=listen, objects=objects, more=more):
        async with a_meter() as meter:
            target = MeterTarget("p1", "127.0.0.1", port, version, COMMUNITY)
            await looked(meter, target)
            rows = await one_look(meter, target)
    assert {job: (one.state, one.counts.impressions) for job, one in rows.items()} == {
        42: ("processing", 7),
        43: ("pending", 0),
    }


async def test_an_inspection_says_that_it_tells_of_jobs_and_nothing_of_a_printer_without() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(job_mib(7))) as raw:
        notes = (await meter.inspect(raw.target(), 5.0)).notes
        assert [one for one in notes if "jobs" in one] == [
            "tells of its print jobs (RFC 2707, set 7): highest number 43"
        ]
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib())) as raw:
        assert not [one for one in (await meter.inspect(raw.target(), 5.0)).notes if "job" in one]
