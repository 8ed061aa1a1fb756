"""The table between a dataclass and its JSON object: what is written, what may be absent, and what is refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.domain.values.codec import (
    BIT,
    FIGURE,
    INSTANT,
    TEXT,
    ByHand,
    Codec,
    Kind,
    Member,
    Spread,
    choice,
    inner,
    integer,
    placed,
    texts,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields


@dataclass(frozen=True)
class Place:
    room: str
    floor: int = 0


@dataclass(frozen=True)
class Thing:
    name: str
    at_us: int
    place: Place
    shelf: Place | None = None
    tags: tuple[str, ...] = ()
    broken: bool = False
    strikes: int = 0
    strikes_since_us: int = 0
    parts: tuple[Place, ...] = ()
    note: str = field(default="", compare=False)


PLACE = Codec(Place, Member("room", TEXT), Member("floor", integer(0, 99), default=0))
THING = Codec(
    Thing,
    Member("name", TEXT),
    Member("at_us", INSTANT, "at"),
    Spread("place", PLACE),
    Member("shelf", inner(PLACE), default=None),
    Member("tags", texts(2), default=(), written=True),
    Member("broken", BIT, default=False),
    Member("strikes", FIGURE, default=0),
    Member("strikes_since_us", INSTANT, "since", default=-1, beside="strikes"),
    Member("parts", placed(inner(PLACE), 11), default=()),
    outside=["note"],
)

LEAST = {"name": "n", "at": "1970-01-01T00:00:00.000001Z", "room": "r", "tags": []}
MOST = {
    "name": "n",
    "at": "1970-01-01T00:00:00.000001Z",
    "room": "r",
    "floor": 2,
    "shelf": {"room": "s"},
    "tags": ["a", "b"],
    "broken": 1,
    "strikes": 3,
    "since": "1970-01-01T00:00:00.000000Z",
    "parts": {str(place): {"room": str(place)} for place in range(11)},
}


def read(members: Any, where: str = "thing") -> Thing:
    return THING.read(Fields(members, where))


def test_what_says_nothing_is_left_out_and_comes_back_as_its_default() -> None:
    thing = Thing("n", 1, Place("r"), strikes_since_us=-1)
    assert THING.write(thing) == LEAST
    assert read(LEAST) == thing


def test_what_says_something_is_written_in_its_form() -> None:
    parts = tuple(Place(str(place)) for place in range(11))
    thing = Thing("n", 1, Place("r", 2), Place("s"), ("a", "b"), broken=True, strikes=3, parts=parts)
    assert THING.write(thing) == MOST
    assert read(MOST) == thing
    assert read(MOST).broken is True


def test_null_is_as_good_as_absent() -> None:
    assert read(LEAST | dict.fromkeys(["floor", "shelf", "tags", "broken", "strikes", "parts"])) == read(LEAST)


def test_a_member_beside_another_is_written_where_that_one_is_even_if_it_is_its_default() -> None:
    assert THING.write(Thing("n", 1, Place("r"), strikes=1, strikes_since_us=-1))["since"].startswith("1969-12-31T")
    assert "since" not in THING.write(Thing("n", 1, Place("r"), strikes_since_us=5))


def test_what_comes_from_outside_is_given_and_not_written() -> None:
    assert THING.read(Fields(LEAST, ""), note="seen").note == "seen"
    assert "note" not in THING.write(Thing("n", 1, Place("r"), note="seen"))
    # A row has the last word.
    assert THING.read(Fields(LEAST, ""), name="another").name == "n"


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"name": None}, r"^thing\.name: is missing or empty"),
        ({"at": None}, r"^thing\.at: is missing or empty"),
        ({"at": "noon"}, r"^thing\.at: 'noon' is no RFC 3339 time"),
        ({"room": 5}, r"^thing\.room: is a number; a text"),
        ({"shelf": {"room": ""}}, r"^thing\.shelf\.room: is missing"),
        ({"shelf": {"room": "s", "odd": 1}}, r"^thing\.shelf: has unknown members: odd"),
        ({"shelf": []}, r"^thing\.shelf: is a list; an object"),
        ({"tags": ["a", "b", "c"]}, r"^thing\.tags: a list of at most 2 texts"),
        ({"broken": 2}, r"^thing\.broken: is 2; 0 to 1"),
        ({"broken": True}, r"^thing\.broken: is true or false"),
        ({"strikes": 1}, r"^thing\.since: is missing"),
        ({"since": "1970-01-01T00:00:00Z"}, r"^thing: has unknown members: since"),
        ({"parts": {"1": {"room": "r"}}}, r"^thing\.parts\.1: is no place; 0 to 0"),
        ({"parts": {"x": {"room": "r"}}}, r"^thing\.parts\.x: is no place"),
        ({"parts": {"0": {"room": "r"}, "9" * 5_000: {"room": "r"}}}, r"^thing\.parts\.9{40}: is no place"),
        ({"parts": {"0": {}}}, r"^thing\.parts\.0\.room: is missing"),
        ({"parts": {str(place): {"room": "r"} for place in range(12)}}, r"^thing\.parts: has 12 members; 11 at most"),
        ({"odd": 1}, r"^thing: has unknown members: odd"),
    ],
)
def test_a_broken_value_is_refused_by_its_whole_path(changed: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadFact, match=problem):
        read(LEAST | changed)


def test_a_check_of_the_whole_names_a_member() -> None:
    def low(place: Place) -> tuple[str, str] | None:
        return ("floor", "is too high") if place.floor > 5 else None

    codec = Codec(Place, Member("room", TEXT), Member("floor", FIGURE), check=low)
    assert codec.read(Fields({"room": "r", "floor": 5}, "")) == Place("r", 5)
    with pytest.raises(BadFact, match=r"^thing\.shelf\.floor: is too high"):
        codec.read(Fields({"room": "r", "floor": 6}, "thing.shelf"))


def test_a_choice_gives_the_word_that_is_known() -> None:
    kind: Kind[str] = choice(["up", "down"])
    assert kind.need(Fields({"way": "up"}, ""), "way") == "up"
    assert kind.take(Fields({}, ""), "way") is None
    with pytest.raises(BadFact, match="way: is 'left'; one of up, down is needed"):
        kind.take(Fields({"way": "left"}, ""), "way")


def test_a_form_that_no_table_tells_is_two_functions() -> None:
    def write(place: Place) -> dict[str, Any]:
        return {"at": f"{place.room}/{place.floor}"}

    def take(fields: Fields) -> Place:
        room, _, floor = fields.text("at").partition("/")
        return Place(room, int(floor))

    @dataclass(frozen=True)
    class Box:
        place: Place

    codec = Codec(Box, Spread("place", ByHand(write, take)))
    assert codec.read(Fields(codec.write(Box(Place("r", 7))), "")) == Box(Place("r", 7))


@pytest.mark.parametrize(
    "rows",
    [
        [Member("room", TEXT)],
        [Member("room", TEXT), Member("floor", FIGURE), Member("roof", FIGURE)],
        [Member("room", TEXT), Member("room", TEXT), Member("floor", FIGURE)],
        [Member("floor", FIGURE, default=0, beside="room"), Member("room", TEXT, default="")],
        [Member("room", TEXT), Member("floor", FIGURE, default=0, beside="room")],
        [Member("room", TEXT, default=""), Member("floor", FIGURE, beside="room")],
    ],
)
def test_rows_that_do_not_fit_the_class_are_refused_when_the_codec_is_made(rows: list[Member]) -> None:
    with pytest.raises(TypeError, match=r"Place|stands beside"):
        Codec(Place, *rows)
