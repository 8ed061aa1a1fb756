"""What the badge checks remember: swipes, frames and the latest of too many readers and gateways."""

from __future__ import annotations

import pytest

from pagereeve.domain.badges import checks
from pagereeve.domain.badges.state import FRAMES_MAX, REMEMBERED_MAX, ChecksState, ReaderState
from pagereeve.domain.badges.swipes import Swipe, swipes_of
from tests.unit.domain.badges.test_check_limits import BEGIN_US, badge, checked


def test_a_swipe_goes_on_from_its_last_sighting() -> None:
    seen = [badge(at_us) for at_us in (0, 10, 20, 31)]
    assert swipes_of(reversed(seen), 10) == [
        Swipe(seen[0], BEGIN_US + 20, 2),
        Swipe(seen[3], BEGIN_US + 31),
    ]


def test_another_badge_or_gateway_is_another_swipe_and_ends_none() -> None:
    seen = [badge(0), badge(5, "b-birch"), badge(6, gateway="west"), badge(10)]
    assert swipes_of(seen, 10) == [
        Swipe(seen[0], BEGIN_US + 10, 1),
        Swipe(seen[1], BEGIN_US + 5),
        Swipe(seen[2], BEGIN_US + 6),
    ]


def test_a_reader_counts_the_refusals_among_its_last_frames() -> None:
    reader = ReaderState("gw", "")
    frames = [True, False, True, True]
    assert [reader.frame(refused=refused, kept=3) for refused in frames] == [1, 1, 2, 2]
    assert reader.frames == 3
    assert [reader.frame(refused=False, kept=3) for _ in range(3)] == [2, 1, 0]


def test_as_many_frames_are_kept_as_the_rules_ask_for() -> None:
    reader = ReaderState("gw", "")
    for _ in range(FRAMES_MAX + 5):
        refusals = reader.frame(refused=True, kept=FRAMES_MAX)
    assert FRAMES_MAX == 64
    assert (reader.frames, refusals, reader.refused) == (64, 64, 2**64 - 1)


@pytest.mark.plain
@pytest.mark.parametrize(("others", "frames"), [(2, 3), (3, 5)])
def test_of_too_many_badges_the_one_that_was_longest_not_seen_is_forgotten(
    others: int, frames: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first badge comes again within its swipe: no frame of its own, unless three others came in between."""
    assert checks.SIGHTINGS_MAX == 50_000
    monkeypatch.setattr(checks, "SIGHTINGS_MAX", 3)
    seen = [badge(0), *(badge(1 + nth, f"b-{nth}") for nth in range(others)), badge(9)]
    assert checked(*seen).state.reader("east", "").frames == frames


def test_the_readers_and_gateways_that_were_longest_silent_are_forgotten() -> None:
    state = ChecksState()
    for nth in range(REMEMBERED_MAX):
        state.reader(f"gw-{nth}", "")
        state.gateway(f"gw-{nth}").heard = True
    # The first is heard again, so the second is the one to go.
    state.reader("gw-0", "").frames = 7
    state.gateway("gw-0")
    assert len(state.readers) == len(state.gateways) == REMEMBERED_MAX
    state.reader("another", "")
    state.gateway("another")
    assert len(state.readers) == len(state.gateways) == REMEMBERED_MAX
    assert ("gw-0", "") in state.readers
    assert ("gw-1", "") not in state.readers
    assert "gw-0" in state.gateways
    assert "gw-1" not in state.gateways
    assert state.reader("gw-0", "").frames == 7
    assert state.gateway("gw-0").heard
    assert not state.gateway("gw-1").heard
