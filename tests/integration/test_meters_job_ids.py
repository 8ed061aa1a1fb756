"""Jobs that a notice names by an id of the printer's own kind: found over SNMP and IPP, and nothing else of them."""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path

from pagereeve.meters.ipp.message import GET_JOBS, question
from pagereeve.meters.ipp.transport import IppTransport
from pagereeve.meters.job_names import NAMED_MAX, job_uuids, submission_ids
from pagereeve.meters.snmp.ber import INTEGER, oid_label
from pagereeve.ports.meter import MeterTarget
from tests.integration.foreign import COMMUNITY, SERVER, PrinterObjects, Snmpd, free_port, tool
from tests.integration.ipp_peers import PRINT_JOB, a_witness, eve_printer
from tests.integration.meter import a_meter, reading
from tests.integration.test_meters_jobs import JOB_TABLE, R, general, job_mib, row
from tests.snmp_agents import PRINTER_OBJECT_ID, MachineClock, Mib, MibAgent, mib_agent, small

# RFC 2708 section 2.2: format 9, a host's name filled with blanks, the number of the job there.
AN_ID = "9" + "gateway-1".ljust(39) + "00000123"
ANOTHER = "1" + "secret-title".ljust(39) + "00000124"


def id_rows(submission_id: str, job: int, job_set: int = 1) -> Mib:
    index = ".".join(str(octet) for octet in submission_id.encode())
    return {f"{R}.2.1.1.2.{index}": small(job_set), f"{R}.2.1.1.3.{index}": small(job)}


def test_only_ids_of_a_printers_own_kind_are_looked_for() -> None:
    uuid = "urn:uuid:01234567-89AB-4cde-8f01-23456789abcd"
    names = ["a-title", AN_ID, AN_ID[:-1], uuid, f"{uuid}0", "Z" + AN_ID[1:], AN_ID[:-1] + "\u00e9"]
    assert submission_ids(names) == [AN_ID]
    assert job_uuids(names) == {uuid.lower().encode(): uuid}
    assert len(submission_ids(["2" + f"{nth:047}" for nth in range(9)])) == NAMED_MAX


async def test_a_submission_id_leads_to_its_job_and_is_asked_after_no_more() -> None:
    agent = MibAgent(job_mib() | id_rows(AN_ID, 43) | id_rows(ANOTHER, 42, job_set=2))
    async with a_meter() as meter, mib_agent(agent) as raw:
        target = raw.target()
        for _ in range(2):
            reading(await meter.read(target, 2.0))
            looks = await meter.look(target, 2.0, busy=True, names=["a-title", AN_ID, ANOTHER])
        # What leads to a job of another set names none of this one.
        assert {one.job: one.name for one in looks[0].rows} == {42: "", 43: AN_ID}
        before = len(agent.requests)
        reading(await meter.read(target, 2.0))
        (look,) = await meter.look(target, 2.0, busy=True, names=[AN_ID])
        assert {one.job: one.name for one in look.rows} == {42: "", 43: AN_ID}
        assert len(agent.requests) == before + 1
        (look,) = await meter.look(target, 2.0, busy=True)
        assert {one.name for one in look.rows} == {""}
    asked = [oid_label(name) for request in agent.requests for name in request.names]
    assert not any(name.startswith(f"{R}.2.1.1.1") for name in asked)


async def test_a_foreign_agents_submission_id_is_found(tmp_path: Path) -> None:
    """Debian's snmpd over its pass_persist protocol."""
    table, server = tmp_path / "jobs", tmp_path / "serve_jobs.py"
    server.write_text(SERVER)
    figures = general(2, 42, 43) | id_rows(AN_ID, 42)
    for job, one in JOB_TABLE.items():
        figures |= row(job, *one)
    lines = [f"{oid} integer {int.from_bytes(value, 'big')}" for oid, (tag, value) in figures.items() if tag == INTEGER]
    table.write_text("\n".join(lines) + "\n")
    base, port = "1.3.6.1.4.1.2699", free_port()
    more = [f"pass_persist .{base} {sys.executable} {server} {table} {base}"]
    objects, listen = PrinterObjects(tmp_path / "objects"), f"127.0.0.1:{port}"
    with Snmpd(tmp_path / "snmpd", object_id=PRINTER_OBJECT_ID, listen=listen, objects=objects, more=more):
        async with a_meter() as meter:
            target = MeterTarget("p1", "127.0.0.1", port, "2c", COMMUNITY)
            for _ in range(2):
                reading(await meter.read(target, 2.0))
                looks = await meter.look(target, 2.0, busy=True, names=[AN_ID])
    assert {one.job: one.name for one in looks[0].rows} == {42: AN_ID, 43: ""}


async def test_cups_own_printers_job_is_found_by_its_uuid(tmp_path: Path) -> None:
    (tmp_path / "document").write_text("an invented page\n")
    (tmp_path / "print.test").write_text(PRINT_JOB)
    with eve_printer(tmp_path) as port:
        target, uri = MeterTarget("eve", "localhost", ipp_port=port), f"ipp://localhost:{port}/ipp/print"
        async with a_witness() as witness:
            assert await witness.look(target, 5.0, busy=True)
            argv = [tool("ipptool", "cups-ipp-utils"), "-q", "-f", str(tmp_path / "document"), uri]
            assert await (await asyncio.create_subprocess_exec(*argv, str(tmp_path / "print.test"))).wait() == 0
            uuid = await uuid_at(target, uri)
            other = uuid[:-1] + ("0" if uuid[-1] != "0" else "1")
            names = ["a-title", other, uuid[:9] + uuid[9:].upper()]
            (look,) = await witness.look(target, 5.0, busy=True, names=names)
            (unnamed,) = await witness.look(target, 5.0, busy=True)
    assert [(one.job, one.name.lower()) for one in look.rows] == [(1, uuid)]
    assert {one.name for one in unnamed.rows} <= {""}


async def uuid_at(target: MeterTarget, uri: str) -> str:
    """As a release server learns it: from the octets that the printer sends, without our decoder."""
    transport = IppTransport(MachineClock())
    body = question(GET_JOBS, uri, 0x0200, "not-completed", 5, ["job-uuid"])
    posted = await transport.post(target, uri.removeprefix("ipp://").replace("localhost", "127.0.0.1"), body, 5.0)
    await transport.close()
    found = re.search(rb"urn:uuid:[0-9a-f-]{36}", posted.body or b"")
    assert found is not None
    return found.group().decode()
