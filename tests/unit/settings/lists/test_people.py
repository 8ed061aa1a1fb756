"""The people file. All people and cost centres here are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.values.instants import from_text
from pagereeve.settings import BadSettings, PeopleSettings, Settings, read_people

JANUARY = from_text("2026-01-01T00:00:00Z")


def people(tmp_path: Path, text: str, encoding: str = "utf-8") -> tuple[Assigned, ...]:
    path = tmp_path / "people.csv"
    path.write_bytes(text.encode(encoding))
    return read_people(path)


def test_owners_are_read_in_order_of_time(tmp_path: Path) -> None:
    text = "owner,cost_centre,from\nzoe,arts,2026-01-01\nzoe,music,2026-02-01T08:00:00+01:00\nalf,arts,\n"
    assert people(tmp_path, text) == (
        Assigned(0, "alf", "arts"),
        Assigned(JANUARY, "zoe", "arts"),
        Assigned(from_text("2026-02-01T07:00:00Z"), "zoe", "music"),
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_spreadsheet_forms_are_read(tmp_path: Path, encoding: str) -> None:
    text = 'from;owner;cost_centre\r\n2026-01-01; zoë ;"arts; fine"\r\n\r\n;alf;x\r\n;;\r\n'
    assert people(tmp_path, text, encoding) == (Assigned(0, "alf", "x"), Assigned(JANUARY, "zoë", "arts; fine"))


def test_the_same_line_twice_changes_nothing(tmp_path: Path) -> None:
    text = "owner,cost_centre,from\nzoe,arts,2026-01-01\nzoe,arts,2026-01-01\n"
    assert people(tmp_path, text) == (Assigned(JANUARY, "zoe", "arts"),)


def test_every_bad_line_is_told_with_its_number(tmp_path: Path) -> None:
    text = (
        "owner,cost_centre,from\nzoe,arts,2026-01-01\n,arts,\nalf,,\nbea,arts,soon\nzoe,music,2026-01-01\n"
        f"cy,arts,2026-02-30\n{'d' * 201},arts,\neve\tx,arts,\nfay\n"
    )
    with pytest.raises(BadSettings) as caught:
        people(tmp_path, text)
    found = {problem.where: problem.text.partition(":")[0] for problem in caught.value.problems}
    assert found == {
        "line 3": "owner",
        "line 4": "cost_centre",
        "line 5": "from",
        "line 6": "cost_centre",
        "line 7": "from",
        "line 8": "owner",
        "line 9": "owner",
        "line 10": "cost_centre",
    }


def test_surplus_cells_are_not_dropped_silently(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="line 2: from"):
        people(tmp_path, "owner,cost_centre,from\nzoe,arts,2026-01-01,extra\n")


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"", "line 1: the head must name owner, cost_centre, from"),
        (b"owner,cost_centre\n", "line 1: the head"),
        (b"owner,cost_centre,from\nz\xff,a,\n", "line 2: is not UTF-8"),
        (b'owner,cost_centre,from\n"z"x,a,\n', "line 2: is no CSV"),
        (b"owner,cost_centre,from\nz\x00,a,\n", "line 2: "),
    ],
)
def test_a_file_that_cannot_be_read_says_where(tmp_path: Path, raw: bytes, text: str) -> None:
    path = tmp_path / "people.csv"
    path.write_bytes(raw)
    with pytest.raises(BadSettings, match=text):
        read_people(path)


def test_after_fifty_bad_lines_the_rest_is_left(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="the rest was not looked at") as caught:
        people(tmp_path, "owner,cost_centre,from\n" + ",x,\n" * 1000)
    assert len(caught.value.problems) == 51


def test_settings_without_a_people_file_assign_nobody(tmp_path: Path) -> None:
    assert Settings().assignments() == ()
    with pytest.raises(BadSettings, match="can't be read"):
        Settings(people=PeopleSettings(file=tmp_path / "none.csv")).assignments()
