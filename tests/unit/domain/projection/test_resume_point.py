"""Resume points of printers as they were stored: each line of this version is read, and written the same again.

Lines are added whenever PROJECTION_VERSION is raised; older ones stay, and are refused by their version.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.projection.resume_point import PROJECTION_VERSION, ResumePoint
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact

LINES = Path(__file__).with_name("resume_points.jsonl").read_bytes().splitlines()
STORED = [json.loads(line) for line in LINES]
HABITS = {"run", "up", "down", "signs", "recent", "standing", "diagnosed", "diagnosed_at", "lately", "tickets"}


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
    units = [members["unit_memory"] for members in points if "unit_memory" in members]
    lately = [one for known in habits for one in known.get("lately", {}).values()]
    recent = [one for known in habits for one in known.get("recent", {}).values()]
    for known, optional in (
        (
            points,
            {
                "habits",
                "clocks",
                "conflicts",
                "state",
                "known",
                "moduli",
                "numbers",
                "objects",
                "unit_grades",
                "unit_memory",
                "witnesses",
                "prints",
            },
        ),
        (units, {"shown", "contradicted", "assumed"}),
        ([one["assumed"] for one in units if "assumed" in one], {"object", "model"}),
        ([shown for one in units for shown in one.get("shown", {}).values()], {"object", "word"}),
        ([members["state"] for members in points if "state" in members], {"idle_rests"}),
        (habits, HABITS - {"run"}),
        (lately, {"missed"}),
        (recent, {"release", "counted", "least", "explained_by", "contradicts"}),
    ):
        for name in optional:
            assert {name in one for one in known} == {True, False}
    # More than ten, so that places are no texts in their order.
    assert max(len(members.get("clocks", {})) for members in points) > 10
    assert max(len(known.get("recent", {})) for known in habits) > 10


def full() -> dict[str, Any]:
    """One with everything that can be broken."""
    return next(
        members
        for members in STORED
        if members["version"] == PROJECTION_VERSION
        and {"up", "recent", "standing", "diagnosed", "lately"} <= members.get("habits", {}).keys()
        and any("release" in one for one in members["habits"]["recent"].values())
        and members["habits"]["standing"]["releases"]
        and members["counts"]
        and members.get("clocks")
    )


def _of_habits(change: Callable[[dict[str, Any]], Any]) -> Callable[[dict[str, Any]], Any]:
    return lambda members: change(members["habits"])


BROKEN: list[tuple[Callable[[dict[str, Any]], Any], str]] = [
    (lambda point: point.update(at="noon"), r"resume_point\.at: 'noon' is no RFC 3339 time"),
    (lambda point: point.update(run=0), r"resume_point\.run: is 0; 1 to"),
    (lambda point: point.update(odd=1), "resume_point: has unknown members: odd"),
    (lambda point: point["totals"].popitem(), r"resume_point\.totals: are not of the channels in counts"),
    (lambda point: point["totals"].update(odd=1), r"resume_point\.totals: are not of the channels in counts"),
    (lambda point: point["clocks"].update(x=point["clocks"]["0"]), r"clocks\.x: is no place"),
    (lambda point: point["clocks"]["0"].pop("source"), r"resume_point\.clocks\.0\.source: is missing"),
    (lambda point: point["clocks"]["0"].update(since="x"), r"since: 'x' is no RFC 3339 time"),
    (_of_habits(lambda habits: habits["up"].update(level=601)), r"habits\.up\.level: is 601; 0 to 600"),
    (
        _of_habits(lambda habits: habits["up"].update(first=["a"])),
        r"resume_point\.habits\.up\.first: names no release; \[source, release\]",
    ),
    (_of_habits(lambda habits: habits["up"].update(alarmed=2)), r"habits\.up\.alarmed: is 2; 0 to 1"),
    (_of_habits(lambda habits: habits.update(signs="+" * 33)), r"habits\.signs: is 33 characters long; 32 at most"),
    (_of_habits(lambda habits: habits.pop("diagnosed_at")), r"habits\.diagnosed_at: is missing"),
    (_of_habits(lambda habits: habits.pop("diagnosed")), "habits: has unknown members: diagnosed_at"),
    (
        _of_habits(lambda habits: habits["recent"]["0"].update(contradicts=["x"])),
        r"habits\.recent\.0\.contradicts: 'x' is not known; known are ",
    ),
    (_of_habits(lambda habits: habits["recent"].update({"one": {}})), r"habits\.recent\.one: is no place"),
    (_of_habits(lambda habits: habits["lately"]["0"].pop("counted")), r"habits\.lately\.0\.counted: is missing"),
    (_of_habits(lambda habits: habits["standing"]["releases"].update({"0": [1]})), r"releases\.0"),
]


@pytest.mark.parametrize(("change", "problem"), BROKEN)
def test_a_broken_value_is_refused_by_its_path(change: Callable[[dict[str, Any]], Any], problem: str) -> None:
    members = json.loads(json.dumps(full()))
    change(members)
    with pytest.raises(BadFact, match=problem):
        ResumePoint.from_json(members)
