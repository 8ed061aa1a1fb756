"""The list of persons: columns in any order, dates of the site's zone. All people here are invented."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.people_plan import PersonLine
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.values.instants import from_text
from pagereeve.settings import BadSettings
from pagereeve.settings.lists.people import PeopleList, read_people_list

BERLIN = ZoneInfo("Europe/Berlin")
MAY = from_text("2026-05-14T22:00:00Z")


def listed(tmp_path: Path, text: str) -> PeopleList:
    path = tmp_path / "people.csv"
    path.write_text(text)
    return read_people_list(path, BERLIN)


def test_columns_stand_in_any_order_and_a_date_begins_in_the_sites_zone(tmp_path: Path) -> None:
    text = "until;mail;login;cost_centre;from\n2026-05-15;a@x.example; anise ;00042;\n;;anise;3-12;2026-05-15\n"
    assert listed(tmp_path, text).lines == (
        PersonLine(2, "anise", 0, MAY, "", "", "a@x.example", "00042"),
        PersonLine(3, "anise", MAY, None, "", "", "", "3-12"),
    )


def test_a_list_of_owners_stays_what_it_was(tmp_path: Path) -> None:
    found = listed(tmp_path, "owner,cost_centre,from\nanise,arts,2026-05-15\n")
    assert (found.assigned, found.lines) == ((Assigned(from_text("2026-05-15T00:00:00Z"), "anise", "arts"),), ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("login,owner\n", "line 1: the head must name login, and may name name, mail"),
        ("login,from\nanise,soon\n", "line 2: from: is no date"),
        ("login,from,until\nanise,2026-05-15,2026-05-14\n", "line 2: until: is before from"),
        ("login,name\n,Anise\n", "line 2: login: is empty"),
        ("login,name\nanise,A\tB\n", "line 2: name: holds the control character"),
        ("login,person\nanise,\n", "line 2: person: is empty"),
        ("login,cost_centre\nanise,arts\nANISE,music\n", "line 3: cost_centre: line 2 says another one"),
        ("login,person\nanise,4711\nanise,4712\n", "line 3: login: is another person's at that time by line 2"),
    ],
)
def test_what_is_wrong_is_told_by_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadSettings, match=said):
        listed(tmp_path, text)


def test_after_fifty_bad_lines_the_rest_is_left(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="the rest was not looked at") as caught:
        listed(tmp_path, "login,name\n" + ",x\n" * 1000)
    assert len(caught.value.problems) == 51
