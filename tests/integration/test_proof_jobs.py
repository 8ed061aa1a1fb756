"""A proof says what the printer itself told of each test job, by SNMP and by IPP, and where that is not the meter's."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.doors import MeterDoors
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.course import prove
from pagereeve.proof.jobs_told import disagreements
from pagereeve.proof.plan import Plan
from pagereeve.proof.report.terminal import job_line, proof_json
from pagereeve.proof.results import JobSaid, JobSeen
from tests.integration.foreign import tool
from tests.integration.installation import QUICK, an_installation, stage_of
from tests.integration.ipp_peers import PRINT_JOB, eve_printer, free_tcp_port, server
from tests.integration.ipp_printer import IppPrinter


async def test_each_test_job_has_the_printers_own_count_beside_the_meters() -> None:
    async with an_installation(job_rows="counted") as here:
        proof = await here.prove(language="postscript", sheets_seen=2)
    assert [[(one.door, one.number, one.state, one.impressions) for one in job.said] for job in proof.jobs] == [
        [("snmp", 1, "completed", 2)],
        [("snmp", 2, "completed", 3)],
        [("snmp", 3, "completed", 2)],
    ]
    assert stage_of(proof, "pages").outcome == "passed"
    assert "; job 2 by SNMP: completed, 3 impressions" in job_line(proof.jobs[1])
    shown = json.loads(json.dumps(proof_json(proof, "")))
    assert shown["jobs"][0]["said"][0]["door"] == "snmp"
    assert shown["jobs"][0]["said"][0]["impressions"] == 2


async def test_where_the_two_disagree_that_is_said_and_the_meter_stays_what_is_proven() -> None:
    async with an_installation(job_rows="doubled") as here:
        proof = await here.prove(language="postscript", sheets_seen=2)
    pages = stage_of(proof, "pages")
    assert pages.outcome == "warned"
    assert "by SNMP the printer's own counts of the jobs are not the meter's" in pages.advice
    assert "one-sided, 2 pages: 4, the meter 2" in pages.advice
    assert proof.calibration.unit is Unit.IMPRESSIONS


def test_sheets_are_held_against_a_counter_of_sheets_and_a_job_under_way_against_nothing() -> None:
    job = JobSeen("two-sided, 3 pages", 3, 1, two_sided=True, counted=2, said=(JobSaid("ipp", 7, "completed", 3, 2),))
    assert disagreements([job], {"ipp"}, Unit.SHEETS) == []
    (apart,) = disagreements([job], {"ipp"}, Unit.IMPRESSIONS)
    assert "two-sided, 3 pages: 3, the meter 2" in apart
    running = replace(job, said=(JobSaid("ipp", 7, "processing", 1),))
    assert disagreements([running], {"ipp"}, Unit.IMPRESSIONS) == []
    (uncounted,) = disagreements([replace(job, said=(JobSaid("ipp", 7, "completed", 0),))], {"ipp"}, Unit.IMPRESSIONS)
    assert "two-sided, 3 pages: no count, the meter 2" in uncounted
    (unlisted,) = disagreements([replace(job, said=())], {"ipp"}, Unit.IMPRESSIONS)
    assert "lists no job that comes to this print port" in unlisted


@asynccontextmanager
async def print_server(ipp_port: int, folder: Path, printer: IppPrinter) -> AsyncIterator[int]:
    """Takes print data as port 9100 does, and hands each job on to CUPS' own printer, which then counts three sides."""
    test = folder / "print.test"
    test.write_text(PRINT_JOB)

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        document = await reader.read()
        writer.close()
        if not document:  # somebody looked whether the port is open
            return
        (folder / "document").write_bytes(document)
        uri = f"ipp://localhost:{ipp_port}/ipp/print"
        argv = [tool("ipptool", "cups-ipp-utils"), "-q", "-f", str(folder / "document"), uri, str(test)]
        assert await (await asyncio.create_subprocess_exec(*argv)).wait() == 0
        printer.impressions = (printer.impressions or 0) + 3

    listening = await asyncio.start_server(take, "127.0.0.1", 0)
    try:
        yield int(listening.sockets[0].getsockname()[1])
    finally:
        listening.close()


async def test_cups_own_printer_tells_of_the_test_jobs_and_another_counts_them(tmp_path: Path) -> None:
    printer, meter = IppPrinter(), MeterDoors.of(SystemClock(), SystemEntropy())
    patience = replace(QUICK, rest_s=1.2, job_s=8.0, read_s=2.0)
    with eve_printer(tmp_path) as jobs_port:
        async with server(printer) as counter_port, print_server(jobs_port, tmp_path, printer) as print_port:
            # Two doors of one printer: its counters at one port, its jobs at the other.
            counted = MeterTarget("north-1", "127.0.0.1", free_tcp_port(), ipp_port=counter_port, meter="ipp")

            class Both:
                inspect, read = meter.inspect, meter.read

                @staticmethod
                async def look(target: MeterTarget, timeout_s: float, *, busy: bool) -> object:
                    there = replace(target, host="localhost", ipp_port=jobs_port)
                    return await meter.look(there, timeout_s, busy=busy)

            plan = Plan(counted, print_port=print_port, language="text", patience=patience)
            try:
                proof = await prove(plan, Both(), SystemClock())  # type: ignore[arg-type]
            finally:
                await meter.close()
    assert stage_of(proof, "answer").came.endswith("/ipp/print answers")
    assert stage_of(proof, "second-reader").outcome == "not-tried"
    assert proof.jobs, proof
    for number, job in enumerate(proof.jobs, 1):
        assert (job.counted, [one.number for one in job.said]) == (3, [number])
        assert [(one.door, one.state, one.impressions) for one in job.said] == [("ipp", "completed", 3)]


async def test_a_printer_that_counts_sheets_alone_is_proven_by_them_and_gets_no_unit_of_a_total() -> None:
    printer = IppPrinter(impressions=None)

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        printer.sheets = (printer.sheets or 0) + (2 if await reader.read() else 0)
        writer.close()

    meter, listening = MeterDoors.of(SystemClock(), SystemEntropy()), await asyncio.start_server(take, "127.0.0.1", 0)
    try:
        async with server(printer) as port:
            print_port = int(listening.sockets[0].getsockname()[1])
            target = MeterTarget("north-1", "127.0.0.1", free_tcp_port(), ipp_port=port, meter="ipp")
            plan = Plan(target, print_port=print_port, language="postscript", patience=QUICK)
            proof = await prove(plan, meter, SystemClock())
    finally:
        listening.close()
        await meter.close()
    assert [job.counted for job in proof.jobs] == [2, 2, 2]
    assert "it counts sheets (proven)" in stage_of(proof, "pages").came
    assert proof.calibration.unit is None
