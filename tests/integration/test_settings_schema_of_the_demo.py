"""The settings file that the demo writes is in the schema."""

from __future__ import annotations

import tomllib
from pathlib import Path

from jsonschema import Draft202012Validator

from pagereeve.app.clocks import SystemClock
from pagereeve.demo.settings import demo_settings, settings_text
from pagereeve.simulator.college.college import College
from tests.unit.settings.test_schema import SCHEMA, as_json


async def test_the_file_of_the_demo_is_in_the_schema(tmp_path: Path) -> None:
    college = College(7, SystemClock())
    await college.start()
    try:
        text = settings_text(demo_settings(college, tmp_path))
    finally:
        await college.stop()
    read = as_json(tomllib.loads(text))
    assert len(read["printers"]) > 5
    assert [error.message for error in Draft202012Validator(SCHEMA).iter_errors(read)] == []
