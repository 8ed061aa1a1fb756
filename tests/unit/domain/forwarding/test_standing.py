"""When it is told that not all of a site is here, and that all is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import SiteChecked, SiteStanding
from pagereeve.domain.forwarding.standing import LATE_US, UNHEARD_US, SiteSeen, checked, standing_of
from pagereeve.domain.values.instants import SECOND_US

NOON_US = 1_795_608_000 * SECOND_US
DAY_US = NOON_US - 43_200 * SECOND_US
BEGUN_US = NOON_US - 3 * LATE_US
SEEN = SiteSeen(BEGUN_US, NOON_US, BEGUN_US, NOON_US, "", 12)


def told(state: SiteStanding, known_us: int, at_us: int = NOON_US) -> SiteChecked:
    return checked("annex", state, replace(SEEN, whole_us=known_us or None), None, at_us)


def test_that_all_is_here_is_told_at_first_and_then_once_a_day() -> None:
    assert standing_of(SEEN, None, NOON_US, DAY_US) == "whole"
    assert standing_of(SEEN, told("whole", NOON_US), NOON_US, DAY_US) is None
    assert standing_of(SEEN, told("whole", DAY_US), NOON_US, DAY_US) is None
    assert standing_of(SEEN, told("whole", DAY_US - 1), NOON_US, DAY_US) == "whole"
    # Of what was whole before the day began nobody says that it is whole on this day.
    before = replace(SEEN, whole_us=DAY_US - 1)
    assert standing_of(before, told("whole", DAY_US - 2), DAY_US + 1, DAY_US) is None


@pytest.mark.parametrize(
    ("seen", "state"),
    [
        (replace(SEEN, heard_us=NOON_US - LATE_US, whole_us=NOON_US - LATE_US), "silent"),
        (replace(SEEN, whole_us=NOON_US - LATE_US), "behind"),
        (replace(SEEN, whole_us=NOON_US - LATE_US, why="fork"), "refused"),
        (replace(SEEN, whole_us=None), "behind"),
        (replace(SEEN, whole_us=NOON_US - LATE_US + 1, why="fork"), None),
        (replace(SEEN, whole_us=None, first_us=NOON_US - LATE_US + 1), None),
    ],
)
def test_what_lasts_for_an_hour_is_told_once_and_ends_once(seen: SiteSeen, state: SiteStanding | None) -> None:
    assert standing_of(seen, told("whole", DAY_US), NOON_US, DAY_US) == state
    for before in ("silent", "behind", "refused"):
        assert standing_of(seen, told(before, DAY_US), NOON_US, DAY_US) in {None, "whole"}
        assert standing_of(SEEN, told(before, DAY_US), NOON_US, DAY_US) == "whole"


def test_a_site_that_was_not_heard_since_the_start_may_tell_another_worker() -> None:
    seen = SiteSeen(NOON_US, place=12)
    assert standing_of(seen, told("whole", DAY_US), NOON_US + UNHEARD_US - 1, DAY_US) is None
    assert standing_of(seen, told("whole", DAY_US), NOON_US + UNHEARD_US, DAY_US) == "silent"
    # Another worker said meanwhile that all is here.
    assert standing_of(seen, told("whole", NOON_US + 9), NOON_US + UNHEARD_US, DAY_US) is None
    assert standing_of(seen, None, NOON_US + UNHEARD_US, DAY_US) == "silent"


def test_the_fact_keeps_up_to_when_all_is_known_and_why_it_is_refused() -> None:
    refused = checked("annex", "refused", replace(SEEN, whole_us=None, why="fork"), told("whole", DAY_US), NOON_US)
    assert (refused.known_us, refused.why, refused.place, refused.origin.at_us) == (DAY_US, "fork", 12, NOON_US)
    silent = checked("annex", "silent", replace(SEEN, whole_us=None, why="fork"), None, NOON_US)
    assert (silent.known_us, silent.why) == (0, "")
