"""Evidence as values: every kind has words, values come back as they were, and the words are each reader's."""

from __future__ import annotations

import json
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.hypotheses import HYPOTHESES
from pagereeve.domain.facts.facts import Conflict, Decided, Origin, PrinterNoted, ReleaseStarted
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Silence, SilenceReason, Unit
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings.evidence_codec import evidence_json, evidence_of
from pagereeve.domain.findings.finding import make
from pagereeve.domain.findings.wording import words_of
from pagereeve.domain.ledger import Evidence, EvidenceKind, Grade, Interval, ReleaseKey, RowSegment, Stretch
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.reports.findings import findings_text
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.segment_records import segment_rows
from tests.findings import said

NOON_US = 1_767_268_800 * SECOND_US
KEY = ReleaseKey("urn:s", "r-1")
ORIGIN = Origin("urn:s", "e-1", NOON_US, NOON_US + SECOND_US, NOON_US - SECOND_US, "behind")
SIGHT = Sight(
    (("color", Count(3, Unit.IMPRESSIONS)), ("total", Count(7, Unit.IMPRESSIONS))),
    "K1",
    "1.3.6.1",
    PrinterState.IDLE,
    ("jammed",),
    "192.0.2.9",
)
PLATEAU = Plateau.of(Reading(NOON_US, NOON_US + 1_000, SIGHT, 100))
SILENCE = Silence(NOON_US, NOON_US + SECOND_US, 3, SilenceReason.WRONG_DEVICE, "serial K2", "192.0.2.9")
STRETCH = Stretch(
    "p", 1, "total", Unit.IMPRESSIONS, NOON_US, NOON_US + SECOND_US, 100, 108, 8, (KEY, KEY), Grade.SHARED
)
STARTED = ReleaseStarted("p", ORIGIN, "r-1", "j-1", "anise")
DECIDED = Decided("", ORIGIN, "f-1", "explain", "warden", "jam", "two sheets")

ONE_OF_EACH = [
    shown.count_differs(STRETCH, Interval(2, 4), ["hint-repeated-job"]),
    shown.count_passed(5, Unit.SHEETS, Interval(4, 4), 1),
    shown.no_count(1, Grade.BLIND),
    shown.gap_counted(3, Unit.IMPRESSIONS, after_power_off=True),
    *(shown.run_ended(step, PLATEAU, PLATEAU, 7) for step in Step),
    shown.reads_fail([SILENCE, SILENCE], 2),
    shown.reads_failed([SILENCE], 1),
    shown.event_differs(ORIGIN),
    shown.not_registered("p"),
    shown.restarted(),
    shown.started_again("echo"),
    shown.started_again("repeat"),
    shown.started_again("reuse"),
    shown.no_end(),
    shown.no_badge(),
    shown.clock_off(ORIGIN),
    shown.bias(-7, 19),
    shown.stands_still(5, 500),
    *(shown.pattern(one.name, 4, 5, 9) for one in HYPOTHESES),
    shown.no_owner(),
    shown.two_places("east", "west", 8_900),
    shown.written_otherwise(3),
    shown.noisy(19, 20, "parity"),
    shown.nothing_came(4, "badges", NOON_US),
    shown.nothing_came(4, "releases", NOON_US),
    shown.other_owner(),
    shown.elsewhere("east", "west"),
    shown.clock_stepped(NOON_US, NOON_US - 3_600 * SECOND_US),
    shown.clock_stepped(NOON_US, NOON_US + 3_600 * SECOND_US),
    shown.clock_not_agreed(0, NOON_US),
    said("what was said before"),
    shown.cuts(STRETCH),
    shown.counted_so_far("total", 100, NOON_US, 5, NOON_US + SECOND_US),
    shown.release(KEY),
    shown.first_of(KEY),
    shown.last_of(KEY),
    shown.perhaps_missed(KEY),
    shown.perhaps_again(KEY),
    shown.release_counted(KEY, 3, 4),
    shown.as_expected(2),
    shown.reason("about-the-bracket"),
    *shown.readings(PLATEAU, PLATEAU),
    shown.silence(SILENCE),
    shown.silence(SILENCE, growing=True),
    shown.event("e-1"),
    *shown.conflicting(Conflict("p", ORIGIN, "a-type", "00" * 32)),
    shown.presented(NOON_US),
    shown.presented(NOON_US, "east"),
    shown.answered("nothing-held"),
    shown.more(7),
    shown.job(STARTED),
    shown.owners("anise", "birch"),
    shown.style("byte-reversed"),
    shown.noted(PrinterNoted("p", ORIGIN, "meter-replaced", "order 4711")),
    shown.decided(DECIDED),
]


def test_one_of_each_is_one_of_each() -> None:
    assert {one.kind for one in ONE_OF_EACH} == set(EvidenceKind)


@pytest.mark.parametrize("evidence", ONE_OF_EACH, ids=lambda one: one.kind.value)
def test_every_kind_has_words_that_say_all_it_holds_and_comes_back_as_it_was(evidence: Evidence) -> None:
    words = words_of(evidence, to_text)
    assert words
    assert "?" not in words
    assert not words.endswith(".") or evidence.kind is EvidenceKind.PATTERN
    if evidence.release is not None:
        assert "release r-1 of urn:s" in words
    text = canonical_text(evidence_json(evidence))
    assert evidence_of(json.loads(text)) == evidence
    assert evidence.values == tuple(sorted(evidence.values))


def test_what_is_unknown_is_said_to_be() -> None:
    broken = Stretch("p", 1, "total", Unit.IMPRESSIONS, NOON_US, NOON_US, None, None, 8, (KEY,))
    assert words_of(shown.cuts(broken), to_text).startswith("total ? at ")
    assert "at least 2 expected for the release" in words_of(
        shown.count_differs(broken, Interval(2, None), []), to_text
    )
    assert "counted, ? expected" in words_of(shown.count_differs(broken, None, []), to_text)


def test_a_reader_in_berlin_and_one_in_greenwich_read_the_same_rows_at_their_own_times() -> None:
    what = shown.reads_fail([SILENCE], 1)
    finding = make("meter-silent", "p", (1,), NOON_US, what, [shown.silence(SILENCE), shown.cuts(STRETCH)])
    rows = json.dumps(segment_rows([RowSegment("p", 0, None, findings=(finding,))]))
    berlin, greenwich = (findings_text([finding], ZoneInfo(name)) for name in ("Europe/Berlin", "UTC"))
    assert berlin.count("2026-01-01 13:00:0") == 6
    assert greenwich.count("2026-01-01 12:00:0") == 6
    assert rows == json.dumps(segment_rows([RowSegment("p", 0, None, findings=(finding,))]))
    assert "2026" not in rows
    assert str(NOON_US) in rows


@pytest.mark.parametrize(
    "members",
    [
        None,
        {},
        {"kind": "gossip", "values": {}},
        {"kind": "more"},
        {"kind": "more", "values": {"count": 1.5}},
        {"kind": "more", "values": {"count": True}},
        {"kind": "more", "values": {"count": [1]}},
        {"kind": "more", "values": {"count": [["a", "b"]]}},
        {"kind": "more", "values": {"count": None}},
        {"kind": "more", "values": {}, "personal": 1},
        {"kind": "release", "values": {}, "release": ["a"]},
        {"kind": "release", "values": {}, "release": ["a", 1]},
        {"kind": "release", "values": {}, "mood": "odd"},
    ],
)
def test_what_is_no_evidence_is_refused_by_name(members: Any) -> None:
    with pytest.raises(BadFact, match="evidence"):
        evidence_of(members)
