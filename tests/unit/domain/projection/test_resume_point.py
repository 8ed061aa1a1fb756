"""Resume points of printers as they were stored: each line of this version is read, and written the same again.

Lines are added whenever PROJECTION_VERSION is raised; older ones stay, and are refused by their version.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pagereeve.domain.projection.resume_point import PROJECTION_VERSION, ResumePoint
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact

LINES = Path(__file__).with_name("resume_points.jsonl").read_bytes().splitlines()
STORED = [json.loads(line) for line in LINES]
HABITS = {"run", "up", "down", "signs", "recent", "standing", "diagnosed", "diagnosed_at", "lately"}


def test_every_line_of_this_version_is_written_as_it_was() -> None:
    for line, members in zip(LINES, STORED, strict=True):
        if members["version"] == PROJECTION_VERSION:
            assert canonical(ResumePoint.from_json(members).to_json()) == line


def test_a_line_of_another_version_is_refused() -> None:
    for members in STORED:
        if members["version"] != PROJECTION_VERSION:
            with pytest.raises(BadFact, match=r"resume_point\.version"):
                ResumePoint.from_json(members)


def test_every_optional_member_is_there_in_some_lines_and_not_in_others() -> None:
    points = [members for members in STORED if members["version"] == PROJECTION_VERSION]
    habits = [members["habits"] for members in points if "habits" in members]
    lately = [one for known in habits for one in known.get("lately", {}).values()]
    recent = [one for known in habits for one in known.get("recent", {}).values()]
    for known, optional in (
        (points, {"habits", "clocks", "moduli", "objects"}),
        (habits, HABITS - {"run"}),
        (lately, {"missed"}),
        (recent, {"release", "counted", "least", "explained_by", "contradicts"}),
    ):
        for name in optional:
            assert {name in one for one in known} == {True, False}
    # More than ten, so that places are no texts in their order.
    assert max(len(members.get("clocks", {})) for members in points) > 10
    assert max(len(known.get("recent", {})) for known in habits) > 10
