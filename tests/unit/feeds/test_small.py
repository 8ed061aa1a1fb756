"""Preferences, bearer tokens, masking, problems."""

from __future__ import annotations

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.http import prefer
from pagereeve.feeds.masking import masked_line, masked_text
from pagereeve.feeds.refusals import HTTP_REASONS, Refusal, problem_of, refusal_of


@pytest.mark.parametrize(
    ("headers", "wanted_s"),
    [
        (["wait=5"], 5),
        (["respond-async, wait=10"], 10),  # RFC 7240 section 4.3's example
        (["Wait = 7 ; x=1"], 7),
        (['wait="4"'], 4),
        (["wait=0"], 0),
        (["wait=600"], 30),
        (["wait=99999999999999999999"], 30),
        (["respond-async", "wait=3"], 3),
        (['foo="a, wait=9", wait=2'], 2),
        (["wait=1, wait=9"], 1),
        (["wait=-1"], None),
        (["wait=1.5"], None),
        (["wait=٣"], None),
        (["wait"], None),
        (["return=minimal"], None),
        ([], None),
        (["x" * 300 + ", wait=5"], None),
        (['"' * 200], None),
    ],
)
def test_prefer_wait_is_read_and_capped(headers: list[str], wanted_s: int | None) -> None:
    """RFC 7240 sections 2 and 4.3: what can't be understood is ignored."""
    assert prefer.waiting(headers, 30).seconds == wanted_s


@pytest.mark.parametrize(
    ("headers", "applied"),
    [
        (["wait=20, rest"], "wait=20, rest"),
        (["rest", "wait=20"], "wait=20, rest"),
        (['REST=""; why=so, wait=5'], "wait=5, rest"),
        (["wait=20"], "wait=20"),
        (["rest=no, wait=20"], "wait=20"),
        (["restless, wait=20"], "wait=20"),
        (["wait=0, rest"], "wait=0"),
        (["rest"], None),
    ],
)
def test_rest_is_a_preference_beside_wait(headers: list[str], applied: str | None) -> None:
    """RFC 7240 section 2: an empty value is as good as none, names have no case; section 3: what was heeded is said."""
    assert prefer.waiting(headers, 30).applied() == applied


def test_veils_hide_numbers_and_keep_the_form() -> None:
    assert masked_text(b'{"badge": "04A1", \xc3(}') == b'{"xxxxx": "99x9", \xc3(}'
    assert masked_line(b"\x02 04-a1\xe9\x03") == b"\x02 99-x9\x80\x03"
    assert len(masked_text(b"a" * 9999)) == 256
    assert len(masked_line(b"a" * 9999)) == 256


def test_a_badge_is_never_repeated_to_its_sender() -> None:
    problem = problem_of(refusal_of(BadFact("data.badge", "is '04A1B2C3'; no")))
    assert problem["where"] == "data.badge"
    assert "04A1B2C3" not in str(problem)


def test_a_problem_has_the_members_of_rfc_9457_and_a_bounded_detail() -> None:
    for reason, (status, title) in HTTP_REASONS.items():
        problem = problem_of(Refusal(reason, "here", "x" * 1000))
        assert problem["type"] == f"urn:pagereeve:problem:{reason}"
        assert (problem["status"], problem["title"], problem["where"]) == (status, title, "here")
        assert len(problem["detail"]) <= 401
