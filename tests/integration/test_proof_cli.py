"""``pagereeve prove`` and ``pagereeve read`` as an engineer runs them, against simulated installations."""

from __future__ import annotations

import asyncio
import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.meter import MeterTarget, UsmUser
from pagereeve.proof.course import prove
from pagereeve.proof.plan import Plan
from pagereeve.settings import load_settings
from tests.integration.foreign import PrinterObjects, Snmpd, free_port
from tests.integration.installation import COMMUNITY, QUICK, Installation, an_installation, outcomes, stage_of
from tests.integration.meter import a_meter


async def pagereeve(*arguments: str, said: bytes = b"") -> tuple[int, str, str]:
    """Exit status, stdout and stderr of one command, with no terminal."""
    process = await asyncio.create_subprocess_exec(
        str(Path(sys.executable).with_name("pagereeve")),
        *arguments,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await asyncio.wait_for(process.communicate(said), 60)
    return process.returncode or 0, out.decode(), err.decode()


def settings_of(folder: Path, here: Installation, **more: Any) -> Path:
    """A settings file with the installation and one printer that isn't there."""
    (folder / "community").write_text(COMMUNITY)
    target = here.plan.target
    members = {
        "name": target.printer,
        "host": target.host,
        "port": target.port,
        "print_port": here.plan.print_port,
        "community_file": "community",
    } | more
    lines = [f"{name} = {json.dumps(value)}" for name, value in members.items()]
    gone = ["[[printers]]", 'name = "gone"', 'host = "printer.invalid"']
    path = folder / "pagereeve.toml"
    path.write_text("\n".join(["[policy]", 'settle = "400ms"', "[[printers]]", *lines, *gone]) + "\n")
    return path


async def test_a_printer_is_proven_with_pages_and_the_entry_it_gives_loads(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here)
        report = tmp_path / "report.html"
        options = ("--config", str(config), "--print", "--yes", "--language", "postscript", "--quiet", "0.2", "--json")
        status, out, err = await pagereeve("prove", "north-1", *options, "--report", str(report))
        assert status == 0, out + err
        assert "This prints 3 jobs on 1 printer, 7 sheets at most." in err
        (proof,) = json.loads(out)
        assert proof["passed"]
        assert [job["counted"] for job in proof["jobs"]] == [2, 3, 2]
        assert len(here.engine.truth) == 6
        (tmp_path / "entry.toml").write_text(proof["entry"])
        (entry,) = load_settings(tmp_path / "entry.toml", {}).printers
        assert (entry.unit, entry.serial, entry.name) == ("impressions", "SIM-4711", "north-1")
        # The file's 400 ms are less than pages can vouch for.
        assert tomllib.loads(proof["entry"])["printers"][0]["community_file"] == "community"
        assert tomllib.loads(proof["entry"])["printers"][0]["policy"] == {"settle": "5s", "separator_sheets": 0}
        assert COMMUNITY not in out + err + report.read_text()
        assert "Installation proof: north-1" in report.read_text()


async def test_nothing_is_printed_without_a_yes(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here)
        for said in (b"", b"yes\n"):
            status, out, err = await pagereeve("prove", "north-1", "--print", "--config", str(config), said=said)
            assert status == 2
            assert "Nothing was printed" in err
            assert out == ""
        assert here.engine.truth == []


async def test_several_printers_are_proven_at_once_and_one_failure_is_the_status(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here)
        status, out, _ = await pagereeve("prove", "--all", "--config", str(config), "--quiet", "0.2")
        assert status == 1
        assert out.startswith("2 printers: 1 passed, 0 failed, 1 could not be tried.")
        first, second = out.index("Z: failed at name"), out.index("Z: passed")
        assert first < second
        _, out, _ = await pagereeve("prove", "--all", "--config", str(config), "--quiet", "0.2", "--json")
        assert [one["standing"] for one in json.loads(out)["proofs"]] == ["not-tried", "passed"]
        refused = await pagereeve("prove", "--all", "--panel", "5", "--config", str(config))
        assert refused[0] == 2
        unknown = await pagereeve("prove", "nroth-1", "--config", str(config))
        assert unknown[0] == 2
        assert "did you mean" in unknown[2]


async def test_read_shows_what_is_made_of_an_agent(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here, unit="sheets")
        target = here.plan.target
        where = (f"{target.host}:{target.port}", "--community-file", str(tmp_path / "community"))
        status, out, _ = await pagereeve("read", *where, "--json")
        assert status == 0
        seen = json.loads(out)
        assert seen["usable"]
        assert seen["identity"]["serial"] == "SIM-4711"
        (channel,) = seen["channels"]
        assert (channel["name"], channel["value"], channel["unit"]) == ("total", 1000, "impressions")
        assert channel["objects"] == ["1.3.6.1.2.1.43.10.2.1.4.1.1"]
        status, out, _ = await pagereeve("read", "--printer", "north-1", "--config", str(config))
        assert status == 0
        assert "the registry says what a test print proved of its unit" in out
        assert "The meter can be used." in out
        status, out, _ = await pagereeve("read", where[0], "--timeout", "1", "--json")
        assert status == 1
        assert json.loads(out)["why_not"]["reason"] == "timeout"
        for wrong in (("read",), ("read", "h:1", "--printer", "north-1"), ("read", "h:99999")):
            assert (await pagereeve(*wrong, "--config", str(config)))[0] == 2
        assert COMMUNITY not in out


async def test_an_agent_of_version_3_is_read_by_a_user_whose_passwords_stand_in_files(tmp_path: Path) -> None:
    words = {"auth": "Qx7-horse-battery", "priv": "Zk9-staple-correct"}
    for name, word in words.items():
        (tmp_path / name).write_text(word + "\n")
    lines = [f'createUser reader SHA-256 "{words["auth"]}" AES "{words["priv"]}"', "rouser reader priv"]
    port = free_port()
    objects = PrinterObjects(tmp_path / "objects", count=4711)
    with Snmpd(
        tmp_path / "agent", object_id="1.3.6.1.4.1.32473.5", listen=f"127.0.0.1:{port}", objects=objects, more=lines
    ):
        secrets = ("--auth-password-file", str(tmp_path / "auth"), "--priv-password-file", str(tmp_path / "priv"))
        who = ("--version", "3", "--user", "reader", "--auth", "sha256", "--priv", "aes", *secrets)
        status, out, err = await pagereeve("read", f"127.0.0.1:{port}", *who, "--json")
        assert status == 0, err
        seen = json.loads(out)
        assert (seen["version"], seen["channels"][0]["value"]) == ("3", 4711)
        here = plan_of(port, UsmUser("reader", "sha256", words["auth"], "aes", words["priv"]))
        async with a_meter() as meter:
            proof = await prove(here, meter, SystemClock())
        assert outcomes(proof)["second-reader"] == "passed", stage_of(proof, "second-reader")
        assert proof.passed
        for word in words.values():
            assert word[:3] not in out + err + repr(proof)


def plan_of(port: int, user: UsmUser) -> Plan:
    target = MeterTarget("north-1", "127.0.0.1", port, version="3", user=user)
    return Plan(target=target, print_port=None, patience=replace(QUICK, inspect_s=5.0, read_s=5.0))
