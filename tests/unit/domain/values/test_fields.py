"""Reading a member strictly: the longest text, the largest figure and the longest list that are taken."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import TEXT_MAX, Fields, type_name


def fields(value: Any) -> Fields:
    return Fields({"one": value}, "it")


@pytest.mark.parametrize(("letters", "longest"), [(TEXT_MAX, None), (7, 7), (0, 7)])
def test_a_text_may_be_as_long_as_its_limit(letters: int, longest: int | None) -> None:
    limits = () if longest is None else (longest,)
    said = "x" * letters
    assert fields(said).optional_text("one", *limits) == said
    with pytest.raises(BadFact, match=rf"^it\.one: is {(longest or TEXT_MAX) + 1} characters long; "):
        fields("x" * ((longest or TEXT_MAX) + 1)).optional_text("one", *limits)


def test_an_instant_may_be_as_long_as_rfc_3339_makes_it() -> None:
    longest = "2026-01-31T09:00:00.123456789+00:00"
    assert fields(longest).instant("one") == fields(longest).optional_instant("one") == 1_769_850_000_123_456
    for read in (Fields.instant, Fields.optional_instant):
        with pytest.raises(BadFact, match="1000 characters long; 64 at most"):
            read(fields("2" * 1000), "one")
    assert fields(None).optional_instant("one") is None


@pytest.mark.parametrize("letter", ["\x00", "\x1f", chr(0xD800), chr(0xDFFF)])
def test_a_control_or_half_a_letter_is_no_text(letter: str) -> None:
    with pytest.raises(BadFact, match="control character"):
        fields(f"a{letter}b").text("one")


@pytest.mark.parametrize("letter", [" ", "\x7f", "\ue000", "\ud7ff", "\U0001f600"])
def test_the_letters_beside_them_are_text(letter: str) -> None:
    assert fields(f"a{letter}b").text("one") == f"a{letter}b"


def test_a_whole_number_may_be_its_limits() -> None:
    assert [fields(value).integer("one", -2, 5) for value in (-2, 5)] == [-2, 5]
    for value in (-3, 6):
        with pytest.raises(BadFact, match=f"is {value}; -2 to 5 is allowed"):
            fields(value).integer("one", -2, 5)
    for other in (True, False, 1.0, "1"):
        with pytest.raises(BadFact, match="a whole number"):
            fields(other).optional_integer("one", 0, 5)


def test_a_word_that_is_unknown_is_quoted_as_far_as_forty_letters() -> None:
    with pytest.raises(BadFact) as refused:
        fields("x" * 100).choice("one", ["a", "b"])
    assert f"is '{'x' * 40}'; one of a, b is needed" in str(refused.value)
    with pytest.raises(BadFact, match="is missing; one of a, b is needed"):
        fields(None).choice("one", ["a", "b"])
    assert fields("b").choice("one", ["a", "b"]) == "b"


def test_a_member_that_nobody_knows_is_named_as_far_as_forty_letters() -> None:
    with pytest.raises(BadFact) as refused:
        Fields({"x" * 100: 1}, "").finish()
    assert f"object: has unknown members: {'x' * 40}; remove" in str(refused.value)


@pytest.mark.parametrize("value", [True, False])
def test_true_and_false_are_needed_where_asked_for(value: bool) -> None:
    assert fields(value).truth("one") is value
    assert fields(value).optional_truth("one") is value
    assert fields(None).optional_truth("one") is None
    for other in (0, 1, "true"):
        with pytest.raises(BadFact, match="true or false is needed"):
            fields(other).optional_truth("one")
    with pytest.raises(BadFact, match="is missing; true or false is needed"):
        fields(None).truth("one")


def test_a_list_may_be_as_long_as_its_limit() -> None:
    assert fields(["a", "b"]).texts("one", 2) == ("a", "b")
    assert fields([]).texts("one", 0) == ()
    assert fields(None).texts("one", 2) == ()
    for value in (["a", "b", "c"], "ab", {"0": "a"}):
        with pytest.raises(BadFact, match="a list of at most 2 texts is needed"):
            fields(value).texts("one", 2)
    with pytest.raises(BadFact, match=r"it\.one\.1: is 2 characters long; 1 at most"):
        fields(["a", "bb"]).texts("one", 2, 1)


@pytest.mark.parametrize(
    ("value", "name"),
    [
        (None, "null"),
        (True, "true or false"),
        (1, "a number"),
        (1.5, "a number with a fraction"),
        ("x", "a text"),
        ([], "a list"),
        ({}, "an object"),
    ],
)
def test_what_was_sent_is_named_in_words(value: Any, name: str) -> None:
    assert type_name(value) == name
    if value != {}:
        with pytest.raises(BadFact, match=f"is {name}; an object is needed"):
            fields(value).members("one")
