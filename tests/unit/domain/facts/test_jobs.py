"""What a printer says of its jobs, as a fact: no member of it can hold a person, and its times are in order."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest

from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.facts import Redated
from pagereeve.domain.facts.jobs import JOB_MAX, JobCounted, JobCounts, Within
from pagereeve.domain.facts.redating import dated_by
from pagereeve.domain.values.errors import BadFact

WHOLE = JobCounted(
    *("p", "snmp", 43, 1_000_000, 1_100_000, "completed", 1, 2, 524288, JobCounts(5, 3, 5, 2), 4, 2),
    began=Within(100_000, 200_000),
    ended=Within(800_000, 1_100_000),
)


def test_absent_counts_are_left_out_and_a_zero_is_not() -> None:
    members = to_json(JobCounted("p", "ipp", 1, 0, 1, "processing", counts=JobCounts(impressions=0)))
    assert members["counts"] == {"impressions": 0}
    assert from_json(members) == JobCounted("p", "ipp", 1, 0, 1, "processing", counts=JobCounts(0, None, None, None))


@pytest.mark.plain
def test_no_member_but_the_printers_name_is_free_text() -> None:
    free = {one.name for one in fields(JobCounted) if one.type in {"str", "str | None"}}
    assert free == {"printer"}


@pytest.mark.parametrize("member", ["owner", "name", "host", "uri", "submission_id"])
def test_what_may_name_a_person_is_no_member(member: str) -> None:
    with pytest.raises(BadFact, match=member):
        from_json({**to_json(WHOLE), member: "anise"})


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        # RFC 2707 section 3.3.2 and JmJobStateTC: negative numbers are no counts, and these are no states of a fact.
        ({"counts": {"impressions": -2}}, "counts.impressions: is -2"),
        ({"counts": {"impressions": 2**31}}, "counts.impressions: is"),
        ({"counts": {"copies": 2}}, "copies"),
        ({"job": 0}, "job: is 0"),
        ({"job": JOB_MAX + 1}, "job: is"),
        ({"state": "printing"}, "state: is"),
        ({"received": "1970-01-01T00:00:00.900000Z"}, "received: is before sent"),
        ({"ended": {"from": "1970-01-01T00:00:02Z", "until": "1970-01-01T00:00:01Z"}}, "ended: ends before"),
    ],
)
def test_what_cannot_be_is_refused_by_name(changed: dict[str, Any], text: str) -> None:
    with pytest.raises(BadFact, match=text):
        from_json({**to_json(WHOLE), **changed})


def test_a_moved_clock_moves_all_times_of_it_and_a_void_stretch_holds_it() -> None:
    moved = dated_by(WHOLE, [Redated("p", 9_000_000, 900_000, 2_000_000, 50_000, "warden", "agreed")])
    assert isinstance(moved, JobCounted)
    assert (moved.sent_us, moved.received_us) == (1_050_000, 1_150_000)
    assert (moved.began, moved.ended) == (Within(150_000, 250_000), Within(850_000, 1_150_000))
    assert dated_by(WHOLE, [Redated("p", 9_000_000, 900_000, 2_000_000, None, "warden", "void")]) is None
