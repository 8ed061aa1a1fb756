"""Resume points of the badge checks as they were stored: each line of this version is read, and written the same again.

Lines are added whenever BADGES_VERSION is raised; older ones stay, and are refused by their version.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pagereeve.domain.badges.projector import BADGES_VERSION, BadgeResumePoint
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact

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
        (readers, {"refused", "otherwise", "style", "since", "noisy", "changed"}),
        (feeds, {"unmatched", "since", "silent"}),
    ):
        for name in optional:
            assert {name in one for one in known} == {True, False}
    assert {one["reader"] == "" for one in readers} == {True, False}
    # More than ten, so that places are no texts in their order.
    assert max(len(state["readers"]) for state in states) > 10
    assert max(len(state["gateways"]) for state in states) > 10
