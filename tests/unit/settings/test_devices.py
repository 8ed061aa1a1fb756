"""Several printers behind one host and port are an entry each, told apart by device or serial number."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.settings.crosschecks import problems_between
from pagereeve.settings.places import Places
from pagereeve.settings.registry import PrinterSettings


def problems(*rows: dict[str, Any]) -> list[str]:
    printers = [{"name": f"p{index}", "host": "192.0.2.1", **row} for index, row in enumerate(rows)]
    places = Places({"printers": printers})
    return [places.problem(one).where for one in problems_between([], printers, None)]


@pytest.mark.parametrize(
    ("rows", "wrong"),
    [
        ([{"device": 1}, {"device": 2}], []),
        ([{"serial": "A"}, {"serial": "B"}], []),
        ([{"device": 0}, {"serial": "B"}], []),
        ([{"device": 1}, {"device": 1, "port": 1161}], []),
        ([{}, {}], ["[[printers]] 'p1', host and port"]),
        ([{"device": 1}, {}], ["[[printers]] 'p1', host and port"]),
        ([{}, {"device": 2}], ["[[printers]] 'p1', host and port"]),
        ([{"device": 2}, {"device": 2}], ["[[printers]] 'p1', device"]),
    ],
)
def test_entries_of_one_address_say_which_printer_is_theirs(rows: list[dict[str, Any]], wrong: list[str]) -> None:
    assert problems(*rows) == wrong


def test_an_entrys_device_goes_to_the_meter() -> None:
    assert PrinterSettings(name="p", host="192.0.2.1", device=3).target({}).device == 3
    assert PrinterSettings(name="p", host="192.0.2.1").target({}).device is None
