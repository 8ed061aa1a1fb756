"""Evidence as values: every kind has words, values come back as they were, and the words are each reader's."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.hypotheses import HYPOTHESES, PAIRS
from pagereeve.domain.facts.facts import (
    ChoiceReason,
    CounterChosen,
    Decided,
    FactDamaged,
    GatewayChecked,
    LossAccepted,
    Origin,
    PrinterNoted,
    ReleaseStarted,
    SiteChecked,
)
from pagereeve.domain.facts.jobs import JobCounted, JobCounts, Within
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
ANOTHER = "another printer answered"
SILENCE = Silence(NOON_US, NOON_US + SECOND_US, 3, SilenceReason.WRONG_DEVICE, "serial K2", "192.0.2.9")
STRETCH = Stretch(
    "p", 1, "total", Unit.IMPRESSIONS, NOON_US, NOON_US + SECOND_US, 100, 108, 8, (KEY, KEY), Grade.SHARED
)
JOB = JobCounted("p", "snmp", 43, 7, 9, "completed", counts=JobCounts(5), service=4, channel=2, began=Within(5, 9))
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
    shown.event_differs("urn:s", "e-1"),
    shown.events_differ("urn:s", 7, at_least=False),
    shown.events_differ("urn:s", 1_000, at_least=True),
    shown.events_differ("", 7, at_least=False),
    shown.not_registered("p"),
    shown.restarted(),
    shown.windows_wait(2, 1, "stopped"),
    shown.windows_waited(2, 1, 9),
    shown.started_again("echo"),
    shown.started_again("repeat"),
    shown.started_again("reuse"),
    shown.no_end(),
    shown.no_badge(),
    shown.clock_off(ORIGIN),
    shown.bias(-7, 19),
    shown.tickets_incomplete("/release-server", "copies", 3),
    shown.stands_still(5, 500),
    shown.state_not_believed(),
    shown.unit_assumed("total", "1.3.6.1.2.1.43.10.2.1.4.1.1", "1.3.6.1.4.1.99999.1"),
    shown.unit_contradicted("total", "1.3.6.1.2.1.43.10.2.1.4.1.1", Unit.IMPRESSIONS, Unit.SHEETS),
    shown.colour_under_mono(2, Unit.IMPRESSIONS, 1),
    shown.colour_under_mono(2, Unit.IMPRESSIONS, 3),
    *(
        shown.witnesses_disagree(
            channel="total",
            billed="1.3.6.1.2.1.43.10.2.1.4.1.1",
            counted=0,
            witness="1.3.6.1.4.1.32473.5.0",
            moved=12,
            brackets=3,
            released=Interval(12, most),
            fits=fits,
        )
        for most, fits in ((12, "billed"), (13, "witness"), (14, "both"), (None, "neither"))
    ),
    *(
        shown.counter_chosen(CounterChosen("total", "1.3.6.1.4.1.32473.5.0", reason), NOON_US)
        for reason in get_args(ChoiceReason)
    ),
    shown.jobs_disagree(STRETCH),
    shown.job_without_release(JOB),
    shown.job_told(JOB),
    *(shown.pattern(one.name, 4, 5, 9) for one in (*HYPOTHESES, *PAIRS)),
    shown.no_owner(),
    shown.flooded(200, 10),
    shown.perhaps_read("another, shifted by a bit"),
    shown.two_places("east", "west", 8_900),
    shown.written_otherwise(3),
    shown.noisy(19, 20, "parity"),
    shown.nothing_came(4, "badges", NOON_US),
    shown.nothing_came(4, "releases", NOON_US),
    shown.other_owner(),
    shown.fact_damaged(FactDamaged("printer-a", NOON_US, 13, "reading")),
    shown.gateway_down(GatewayChecked(ORIGIN, "gate-1", "down", "tcp 192.0.2.1:22", "no connection")),
    shown.site_behind(SiteChecked(ORIGIN, "annex", "silent", NOON_US, 12)),
    shown.site_behind(SiteChecked(ORIGIN, "annex", "refused", 0, 12, "fork")),
    shown.reads_fail([replace(SILENCE, gateway="answers")], 1),
    shown.silence(replace(SILENCE, gateway="down")),
    shown.receiver_gone("desk", "4355a46b19d348dc2f57c046f8ef63d4"),
    shown.facts_lost(LossAccepted(Origin("urn:x:journal", "loss-2", NOON_US, NOON_US), "fewer-facts", 120, 117)),
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
    shown.perhaps_at(KEY, "library-ground", "f-0a1b2c3d4e5f", 5),
    shown.release_counted(KEY, 3, 4),
    shown.as_expected(2),
    shown.reason("about-the-bracket"),
    *shown.readings(PLATEAU, PLATEAU),
    shown.silence(SILENCE),
    shown.silence(SILENCE, growing=True),
    shown.event("e-1"),
    *shown.kept_aside("e-1", "a-type", "00" * 32),
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


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        (shown.two_places("east", "west", 600_000), "at gateway east and 600.0 s later at gateway west"),
        (shown.two_places("east", "west", 8_940), "at gateway east and 8.9 s later"),
        (shown.two_places("east", "west", 8_960), "at gateway east and 9.0 s later"),
        (
            shown.bias(1, 19),
            "+1 page in 19 brackets, each within its tolerance: the meter always counts a little mo",
        ),
        (
            shown.bias(-1, 19),
            "-1 page in 19 brackets, each within its tolerance: the meter always counts a little le",
        ),
        (shown.reads_failed([SILENCE], 1), "Z, while 1 release needed a reading"),
        (shown.reads_failed([SILENCE], 2), "Z, while 2 releases needed a reading"),
        (shown.reads_failed([SILENCE, SILENCE], 0), "6 reads failed (another printer answered) from "),
        (shown.events_differ("urn:s", 7, at_least=False), "7 deliveries of urn:s had an id that was used before"),
        (shown.events_differ("", 999, at_least=False), "999 deliveries, of several sources, had"),
        (shown.events_differ("urn:s", 1_000, at_least=True), "1000 or more deliveries of urn:s had"),
        (shown.no_count(1, Grade.BLIND), "what the release printed (blind)"),
        (shown.no_count(2, Grade.BLIND), "what 2 releases together printed (blind)"),
        (shown.count_passed(5, Unit.SHEETS, Interval(4, 4), 1), "5 sheets counted so far, 4 expected"),
        (shown.count_passed(5, Unit.SHEETS, Interval(3, 4), 1), "5 sheets counted so far, 3 to 4 expected"),
    ],
)
def test_figures_stand_in_the_words_as_they_are(evidence: Evidence, words: str) -> None:
    assert words in words_of(evidence, to_text)


@pytest.mark.parametrize("evidence", ONE_OF_EACH, ids=lambda one: one.kind.value)
def test_a_reader_may_have_counts_written_otherwise_and_nothing_else(evidence: Evidence) -> None:
    marked = words_of(evidence, to_text, "<{}>".format)
    assert re.sub("[<>]", "", marked) == re.sub("[<>]", "", words_of(evidence, to_text))
    assert not re.search(r"\b(run|job|fact) <", marked), "what names something is no count"


def test_all_figures_of_a_difference_are_written_for_the_reader() -> None:
    passed = shown.count_passed(5_000, Unit.SHEETS, Interval(3_000, 4_000), 1_200)
    words = words_of(passed, to_text, "{:_}".format)
    assert words.startswith("5_000 sheets counted so far, 3_000 to 4_000 expected for 1_200 releases together")
    assert "total 41_200 at" in words_of(shown.cuts(replace(STRETCH, before=41_200)), to_text, "{:_}".format)


NOBODY = replace(PLATEAU, sight=replace(SIGHT, responder="", errors=()))


@pytest.mark.parametrize(
    ("evidence", "end"),
    [
        (shown.readings(PLATEAU, PLATEAU)[0], "state idle; error jammed; answered by 192.0.2.9; at noon"),
        (shown.readings(NOBODY, NOBODY)[0], "state idle; at noon"),
        (
            shown.silence(SILENCE),
            f"3 reads: {ANOTHER}, from noon to later, answered by 192.0.2.9: serial K2",
        ),
        (
            shown.silence(replace(SILENCE, responder="", detail="")),
            f"3 reads: {ANOTHER}, from noon to later",
        ),
        (shown.silence(replace(SILENCE, detail=""), growing=True), f"{ANOTHER}, from noon, answered by 192.0.2.9"),
        (shown.presented(NOON_US), "presented: noon"),
        (shown.presented(NOON_US, "east"), "presented at gateway east: noon"),
        (shown.noted(PrinterNoted("p", ORIGIN, "moved", "")), "noted noon: moved"),
        (shown.noted(PrinterNoted("p", ORIGIN, "moved", "to 3")), "noted noon: moved to 3"),
        (shown.decided(DECIDED), "decided noon by warden: explain, jam, two sheets"),
        (shown.decided(replace(DECIDED, reason="", text="")), "decided noon by warden: explain"),
        (shown.run_ended(Step.RESET, PLATEAU, PLATEAU, None), "the pages in between can't be proven"),
        (shown.run_ended(Step.FELL_BACK, PLATEAU, PLATEAU, 7), "before the restart may be counted twice"),
        (shown.clock_off(ORIGIN), "at later; it is behind by the same time in every notice, which is corrected"),
        (shown.clock_off(replace(ORIGIN, clock="future")), "at later; the time of arrival is used instead"),
    ],
)
def test_what_is_unknown_takes_no_words(evidence: Evidence, end: str) -> None:
    instants = {NOON_US: "noon", NOON_US + 1_000: "noon", NOON_US - SECOND_US: "before", NOON_US + SECOND_US: "later"}
    assert words_of(evidence, instants.__getitem__).endswith(end)


def test_a_printer_that_was_on_all_the_time_made_no_start_up_page() -> None:
    gap = shown.gap_counted(3, Unit.IMPRESSIONS, after_power_off=False)
    assert words_of(gap, to_text) == "3 impressions counted without a release"
    assert "waiting" not in words_of(shown.reads_fail([SILENCE], 0), to_text)
    assert words_of(shown.reads_fail([SILENCE], 0), to_text).endswith("Z")


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
