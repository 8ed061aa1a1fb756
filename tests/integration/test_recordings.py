"""A printer recorded by ``pagereeve read --record``, served again, and what a profile makes of it."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.meters.discovery.profile import shipped_profiles
from pagereeve.meters.recording.snmprec import recorded_rows
from pagereeve.meters.snmp.ber import oid_bytes
from pagereeve.simulator.college.fleet import FleetPrinter
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.simulator.snmp.agent import DatagramDoor
from pagereeve.simulator.snmp.recorded_agent import RecordedAgent
from tests.integration.recorded import record_of
from tests.printers import HP, PRINTERS, of_maker
from tests.snmp_agents import small

SPEC = PrinterSpec(
    "dean-of-letters", serial="CNB7-4711-XQ", start_count=4242, description="Maker 9000 S/N CNB7-4711-XQ"
)
PROFILE = """
name = "labels"
maker = "A maker of labels"
object_ids = ["1.3.6.1.4.1.2385"]
sources = ["a test print"]
evidence = "Ten pages, ten steps."
[[channels]]
name = "total"
unit = "impressions"
objects = ["1.3.6.1.4.1.2385.1.1.19.2.1.3.5.4.61", "1.3.6.1.4.1.2385.1.1.19.2.1.3.5.4.63"]
[[channels]]
name = "faxes"
unit = "impressions"
objects = ["1.3.6.1.4.1.2358.1.0"]
"""


@contextmanager
def served(door: DatagramDoor) -> Iterator[str]:
    """``host:port`` of an agent on a loop of its own, beside the command."""
    loop, ready = asyncio.new_event_loop(), threading.Event()
    until = asyncio.Event()

    async def serve() -> None:
        await door.bind("127.0.0.1", 0)
        ready.set()
        await until.wait()
        door.close()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    assert ready.wait(20)
    try:
        yield "{}:{}".format(*door.address)
    finally:
        loop.call_soon_threadsafe(until.set)
        thread.join(20)
        loop.close()


def replayed(path: Path) -> RecordedAgent:
    return RecordedAgent((one.oid, one.tag, one.content) for one in recorded_rows(path).values())


def test_a_recorded_printer_reads_as_the_printer_did_and_names_nobody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, again = tmp_path / "one.snmprec", tmp_path / "again.snmprec"
    with served(FleetPrinter(SPEC, SystemClock(), "public")) as place:
        assert status_of(["read", place, "--record", str(path), "--json"]) == 0
        before = json.loads(capsys.readouterr().out)
        assert status_of(["read", place, "--record", str(again), "--json"]) == 0
    said = capsys.readouterr()
    assert "Read the file before you give it to anybody" in said.err
    with served(replayed(path)) as place:
        assert status_of(["read", place, "--json"]) == 0
    after = json.loads(capsys.readouterr().out)
    for same in ("channels", "checks", "state", "errors", "power_on_count", "usable"):
        assert after[same] == before[same], same
    assert before["identity"]["serial"] == SPEC.serial
    assert after["identity"]["object_id"] == before["identity"]["object_id"]
    assert len(after["identity"]["serial"]) == len(SPEC.serial)
    raw = path.read_bytes()
    for name in (SPEC.serial, SPEC.name, SPEC.description, "CNB7", "4711", "dean"):
        assert name.encode().hex().encode() not in raw
        assert name.encode() not in raw
    # Nothing that was drawn for one recording is in another.
    assert again.read_bytes() != raw
    assert all(line.count(b"|") == 2 for line in raw.splitlines())


def test_a_printer_of_a_makers_counters_is_recorded_with_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    original, path = tmp_path / "original.snmprec", tmp_path / "one.snmprec"
    original.write_text(record_of(PRINTERS["sharp-colour"].mib))
    with served(replayed(original)) as place:
        assert status_of(["read", place, "--record", str(path), "--json"]) == 0
    before = json.loads(capsys.readouterr().out)
    assert status_of(["profile", "check", str(shipped("sharp")), "--recording", str(path), "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["sound"]
    counts = {one["name"]: one["value"] for one in body["recording"]["channels"]}
    assert counts == {one["name"]: one["value"] for one in before["channels"]}
    assert {"prints", "copies", "mono", "colour"} <= set(body["recording"]["given"])
    # The name of a row that the profile does not know goes; the row stays.
    assert b"Scan to".hex().encode() not in path.read_bytes()
    assert oid_bytes("1.3.6.1.4.1.2385.1.1.19.2.1.3.7.4.50") in recorded_rows(path)


def shipped(name: str) -> Path:
    import pagereeve.meters.discovery.profiles as folder  # noqa: PLC0415 - a folder of data

    assert shipped_profiles().named(name) is not None
    return Path(folder.__path__[0]) / f"{name}.toml"


def test_a_silent_agent_leaves_no_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.snmprec"
    assert status_of(["read", "printer.invalid", "--timeout", "1", "--record", str(path)]) == 2
    assert "nothing was recorded" in capsys.readouterr().err
    assert not path.exists()
    assert status_of(["read", "a.invalid", "b.invalid", "--record", str(path)]) == 2


def test_a_profile_is_checked_alone_and_against_a_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    profile, recording = tmp_path / "labels.toml", tmp_path / "one.snmprec"
    profile.write_text(PROFILE)
    assert status_of(["profile", "check", str(profile)]) == 0
    alone = capsys.readouterr().out
    assert "1.3.6.1.4.1.2358.1.0 (faxes) is of none of the makers in object_ids" in alone
    assert "1.3.6.1.4.1.2385 is of the profile sharp too" in alone
    assert "rests on hearsay\n" in alone
    assert "note   channel 1 (total) rests on hearsay, and names no source: it gives way to what is proven" in alone
    assert "sources\n  a test print" in alone
    recording.write_text(record_of(PRINTERS["sharp-colour"].mib))
    # The standard's own total comes first: of this profile nothing is left.
    assert status_of(["profile", "check", str(profile), "--recording", str(recording)]) == 1
    assert "gives nothing of this recording" in capsys.readouterr().out
    without = {one: value for one, value in PRINTERS["sharp-colour"].mib.items() if ".43.10." not in one}
    recording.write_text(record_of(without))
    assert status_of(["profile", "check", str(profile), "--recording", str(recording), "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["recording"]["given"] == ["total"]
    assert body["recording"]["not_given"] == ["faxes"]
    assert body["recording"]["channels"][0]["value"] == 91_164 + 29_940


def hp_profile(*columns: tuple[str, str]) -> str:
    """A profile of the maker whose printers are recorded here: the name of each channel and its column."""
    head = ['name = "own"', 'maker = "A maker"', 'object_ids = ["1.3.6.1.4.1.11.2.3.9"]']
    head += ['sources = ["a list"]', 'evidence = "None."']
    for name, column in columns:
        head += ["[[channels]]", f'name = "{name}"', 'unit = "impressions"', 'rests_on = "mib"', 'source = "a MIB"']
        head.append(f'objects = ["{HP}.{column}"]')
    return "\n".join(head)


@pytest.mark.parametrize(
    ("mib", "columns", "why"),
    [
        # A dead column: it stands at 0 while others count.
        ({5: 0, 6: 11_000, 7: 4_000}, {"total": 5, "mono": 6, "colour": 7}, f"total 0 by {HP}.5.0 stands at 0"),
        # A wrong column: the standard's total, or the profile's own parts, say otherwise.
        ({5: 7}, {"total": 5}, f"total 7 by {HP}.5.0 is not the total 15000 of Printer-MIB"),
        ({5: 90_000}, {"prints": 5}, "prints 90000 > total 15000"),
        ({6: 1, 7: 2}, {"mono": 6, "colour": 7}, "mono + colour = 3, less than total 15000"),
        ({5: 15_000, 6: 11_000, 7: 4_000}, {"total": 5, "mono": 6, "colour": 7}, ""),
    ],
    ids=["dead", "another-total", "larger-part", "parts-too-small", "sound"],
)
def test_a_profile_on_a_wrong_or_dead_column_is_refused_by_its_own_witnesses(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    mib: dict[int, int],
    columns: dict[str, int],
    why: str,
) -> None:
    profile, recording = tmp_path / "own.toml", tmp_path / "one.snmprec"
    profile.write_text(hp_profile(*((name, f"{column}.0") for name, column in columns.items())))
    objects = {f"{HP}.{column}.0": small(value) for column, value in mib.items()}
    recording.write_text(record_of(of_maker("11.2.3.9.1", objects, count=15_000)))
    status = status_of(["profile", "check", str(profile), "--recording", str(recording), "--json"])
    body = json.loads(capsys.readouterr().out)
    assert (status, body["sound"]) == ((1, False) if why else (0, True))
    assert all(why in one for one in body["recording"]["refuted"][:1])
    assert bool(body["recording"]["refuted"]) == bool(why)
    assert [(one["rests_on"], one["source"]) for one in body["channels"]] == [("mib", "a MIB")] * len(columns)
    assert status_of(["profile", "check", str(profile), "--recording", str(recording)]) == status
    assert ("The recording contradicts the profile: " + why in capsys.readouterr().out) == bool(why)


def test_what_is_wrong_with_a_profile_or_a_recording_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile, recording = tmp_path / "labels.toml", tmp_path / "one.snmprec"
    for text, why in (
        ("name = ", "no TOML"),
        (PROFILE.replace('"faxes"', '"fax"'), "channels.1.name"),
        (PROFILE.replace("2358.1.0", "2358..0"), "channels.1.objects.0"),
        (PROFILE.replace('sources = ["a test print"]\n', ""), "sources"),
    ):
        profile.write_text(text)
        assert status_of(["profile", "check", str(profile)]) == 2
        assert why in capsys.readouterr().err
    assert status_of(["profile", "check", str(tmp_path / "absent.toml")]) == 2
    profile.write_text(PROFILE)
    recording.write_text("nonsense\n")
    assert status_of(["profile", "check", str(profile), "--recording", str(recording)]) == 2
    assert "line 1" in capsys.readouterr().err
