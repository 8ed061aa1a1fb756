"""The list that a supplier sends: what is read of it, and how a bad line is told."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.supplier_bill import BilledFigure, BillLine
from pagereeve.domain.values.instants import from_text
from pagereeve.settings.errors import BadSettings
from pagereeve.settings.lists.supplier_bill import read_bill

BERLIN = ZoneInfo("Europe/Berlin")
HEAD = "serial,opening,opening_date,closing,closing_date"


def bill(tmp_path: Path, *lines: str, head: str = HEAD) -> Path:
    path = tmp_path / "bill.csv"
    path.write_text("\n".join((head, *lines)), encoding="utf-8")
    return path


def test_a_day_is_the_sites_own_and_a_time_is_an_instant(tmp_path: Path) -> None:
    path = bill(tmp_path, "00042,100,2026-10-25,250,2026-11-01T09:00:00Z")
    day = BilledFigure(100, from_text("2026-10-24T22:00:00Z", ""), from_text("2026-10-25T23:00:00Z", "") - 1)
    instant = from_text("2026-11-01T09:00:00Z", "")
    assert read_bill(path, BERLIN) == (BillLine(2, "00042", "total", day, BilledFigure(250, instant, instant)),)


def test_semicolons_and_a_counter_of_its_own(tmp_path: Path) -> None:
    head = "counter;serial;opening;opening_date;closing;closing_date"
    path = bill(tmp_path, "colour;A1;1;2026-01-01;2;2026-02-01", ";A2;1;2026-01-01;2;2026-02-01", head=head)
    assert [(one.serial, one.channel) for one in read_bill(path, BERLIN)] == [("A1", "colour"), ("A2", "total")]


@pytest.mark.parametrize(
    "text",
    [
        f"\ufeff{HEAD}\r\nA1,1,2026-01-01,2,2026-02-01\r\n",
        f"sep=,\r\n{HEAD}\r\nA1,1,2026-01-01,2,2026-02-01\r\n",
        f"sep=;\r\n{HEAD}\r\nA1,1,2026-01-01,2,2026-02-01\r\n".replace(",", ";"),
        f"{HEAD},,\r\nA1,1,2026-01-01,2,2026-02-01,,\r\n,,,,,,\r\n",
        f"{HEAD};;\r\nA1;1;2026-01-01;2;2026-02-01;;;\r\n;;;;;;\r\n".replace(",", ";"),
        f"{HEAD}\r\nA1\t1\t2026-01-01\t2\t2026-02-01\r\n".replace(",", "\t"),
        f'"{HEAD}"\r\n"A1","1","2026-01-01","2","2026-02-01"\r\n'.replace(HEAD, HEAD.replace(",", '","')),
    ],
)
def test_as_spreadsheets_write_it(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bill.csv"
    path.write_text(text, encoding="utf-8", newline="")
    (line,) = read_bill(path, BERLIN)
    assert (line.serial, line.opening.figure, line.closing.figure) == ("A1", 1, 2)
    assert line.line == text[: text.index("A1")].count("\n") + 1


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("A1,48.211,2026-01-01,2,2026-02-01", "line 2: opening: is no whole number"),
        ("A1,-1,2026-01-01,2,2026-02-01", "line 2: opening: is no whole number"),
        (",1,2026-01-01,2,2026-02-01", "line 2: serial: is empty"),
        ("A1,1,2026-02-30,2,2026-03-01", "line 2: opening_date: is no date"),
        ("A1,1,2026-01-01,2,01.02.2026", "line 2: closing_date: is no date"),
        ("A1,1,2026-02-01,2,2026-01-01", "line 2: closing_date: comes before opening_date"),
    ],
)
def test_a_bad_line_is_named_with_what_to_do(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(BadSettings, match=said):
        read_bill(bill(tmp_path, line), BERLIN)
