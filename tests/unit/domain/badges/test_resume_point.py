"""Resume points of the badge checks as they were stored: each line of this version is read, and written the same again.

Lines are added whenever BADGES_VERSION is raised; older ones stay, and are refused by their version.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.badges.projector import BADGES_VERSION, BadgeResumePoint
from pagereeve.domain.badges.state import FEED, READER, FeedState, ReaderState
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields

LINES = Path(__file__).with_name("resume_points.jsonl").read_bytes().splitlines()
STORED = [json.loads(line) for line in LINES]
NOW = [members for members in STORED if members["version"] == BADGES_VERSION]


def test_every_line_of_this_version_is_written_as_it_was() -> None:
    for line, members in zip(LINES, STORED, strict=True):
        if members["version"] == BADGES_VERSION:
            assert canonical(BadgeResumePoint.from_json(members).to_json()) == line


def test_a_line_of_another_version_is_refused() -> None:
    for members in STORED:
        if members["version"] != BADGES_VERSION:
            with pytest.raises(BadFact, match=r"resume_point\.version"):
                BadgeResumePoint.from_json(members)


def test_every_optional_member_is_there_in_some_lines_and_not_in_others() -> None:
    states = [members["entrance"] for members in NOW]
    readers = [one for state in states for one in state["readers"].values()]
    feeds = [one for state in states for one in (state["releases"], *state["gateways"].values())]
    for known, optional in (
        (
            readers,
            {"refused", "otherwise", "style", "since", "noisy", "changed", "short", "flood", "strangers", "stranger"},
        ),
        (feeds, {"unmatched", "since", "silent"}),
    ):
        for name in optional:
            assert {name in one for one in known} == {True, False}
    assert {one["reader"] == "" for one in readers} == {True, False}
    # More than ten, so that places are no texts in their order.
    assert max(len(state["readers"]) for state in states) > 10
    assert max(len(state["gateways"]) for state in states) > 10


def test_what_is_left_out_comes_back_as_nothing() -> None:
    feed = FEED.read(Fields({"heard": 0}, "feed"))
    assert (feed.heard, feed.unmatched, feed.since_us, feed.silent) == (False, 0, 0, None)
    assert feed == FeedState()
    reader = READER.read(Fields({"gateway": "gw", "frames": 0}, "reader"))
    assert reader == ReaderState("gw", "")
    assert (reader.refused, reader.otherwise, reader.style, reader.otherwise_since_us) == (0, 0, "", 0)


def full() -> dict[str, Any]:
    return next(
        members
        for members in NOW
        if {"otherwise", "refused", "noisy"} <= members["entrance"]["readers"].get("0", {}).keys()
        and len(members["entrance"]["gateways"]) > 1
    )


def _reader(**changes: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda state: state["readers"]["0"].update(changes)


BROKEN: list[tuple[Callable[[dict[str, Any]], Any], str]] = [
    (lambda state: state.update(odd=1), r"^resume_point\.entrance: has unknown members: odd"),
    (lambda state: state["readers"].update(x=state["readers"]["0"]), r"readers\.x: is no place"),
    (lambda state: state["gateway_order"].update(x="g"), r"gateway_order\.x: is no place"),
    (lambda state: state["gateway_order"].popitem(), r"entrance\.gateways: has unknown members"),
    (lambda state: state["gateways"].popitem(), r"entrance\.gateways\..*: is null; an object is needed"),
    (lambda state: state["releases"].update(heard=2), r"releases\.heard: is 2; 0 to 1"),
    (_reader(refused="xyz"), r"readers\.0\.refused: .*'xyz'"),
    (_reader(refused="f" * 17), r"readers\.0\.refused: .* is no number of 1 to 16 hexadecimal digits"),
    (_reader(frames=65), r"readers\.0\.frames: is 65; 0 to 64"),
    (_reader(since="noon"), r"readers\.0\.since: 'noon' is no RFC 3339 time"),
    (_reader(style=None), r"readers\.0\.style: is missing"),
    (_reader(otherwise=0), r"readers\.0\.otherwise: is 0; 1 to"),
    (lambda state: state["readers"]["0"]["noisy"].update(kind="odd"), r"readers\.0\.noisy\.kind: is 'odd'"),
]


@pytest.mark.parametrize(("change", "problem"), BROKEN)
def test_a_broken_value_is_refused_by_its_path(change: Callable[[dict[str, Any]], Any], problem: str) -> None:
    members = json.loads(json.dumps(full()))
    change(members["entrance"])
    with pytest.raises(BadFact, match=problem):
        BadgeResumePoint.from_json(members)
