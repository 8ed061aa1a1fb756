"""After a proof: other printers of the model that the journal knows to run on an assumed unit."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli.prove import _offers
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Unit, UnitGrade
from pagereeve.proof.results import Calibration, Proof
from pagereeve.settings import Settings, load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.test_proof_cli import pagereeve
from tests.journal_samples import NOON_US

MODEL = "1.3.6.1.4.1.32473.1"
PROVEN = Proof("north", "", 0, (), Calibration("2c", "K1", MODEL, Unit.SHEETS))


async def site(folder: Path) -> tuple[Path, Settings]:
    """Three printers of unknown unit, one of them of another model, and one that nobody registered."""
    data = folder / "var"
    data.mkdir()
    names = ("north", "south", "west")
    entries = "".join(f'[[printers]]\nname = "{name}"\nhost = "{name}.invalid"\n' for name in names)
    config = folder / "pagereeve.toml"
    config.write_text(f"data_dir = {json.dumps(str(data))}\n{entries}")
    journal = await SqlJournal.open(data / JOURNAL_NAME, SystemClock())
    for name in ("north", "south", "west", "stranger"):
        counts = (("total", Count(7, Unit.UNKNOWN, grade=UnitGrade.ASSUMED)),)
        sight = Sight(counts, "", f"{MODEL}.9" if name == "west" else MODEL, PrinterState.IDLE)
        plateau = Plateau.of(Reading(NOON_US, NOON_US + 1_000, sight, 100))
        await journal.observe(name, [], PlateauRead(name, plateau))
    await journal.close()
    return config, load_settings(config, {})


async def test_they_are_named_with_what_their_entries_may_say(tmp_path: Path) -> None:
    _, settings = await site(tmp_path)
    (line,) = await _offers(settings, [PROVEN])
    assert line.startswith(
        f"1 printer with the object id {MODEL} runs on an assumed unit: south. north of that model is"
    )
    assert line.endswith('its entry may say: unit = "sheets", unit_grade = "inferred-from-model"')


async def test_without_a_journal_or_a_proven_unit_there_is_nothing_to_say(tmp_path: Path) -> None:
    _, settings = await site(tmp_path)
    assert await _offers(settings, [Proof("north", "", 0, (), Calibration())]) == []
    (settings.data_dir / JOURNAL_NAME).unlink()
    assert await _offers(settings, [PROVEN]) == []


async def test_a_journal_that_can_not_be_read_is_said(tmp_path: Path) -> None:
    _, settings = await site(tmp_path)
    (settings.data_dir / JOURNAL_NAME).write_bytes(b"no journal" * 500)
    (line,) = await _offers(settings, [PROVEN])
    assert line.startswith("Whether other printers of the model run on an assumed unit is not known: ")


@pytest.mark.parametrize("command", ["doctor", "totals"])
async def test_people_are_told_once(tmp_path: Path, command: str) -> None:
    config, _ = await site(tmp_path)
    more = ["--format", "table"] if command == "totals" else []
    status, out, err = await asyncio.wait_for(pagereeve(command, "--config", str(config), *more), 60)
    assert err == ""
    assert status == (1 if command == "doctor" else 0)
    told = "3 printers run on an assumed unit" if command == "doctor" else "4 printers assumed: nobody says"
    assert out.count(told) == 1
