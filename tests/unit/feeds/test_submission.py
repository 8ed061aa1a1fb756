"""What a sender is answered: *stored* only where the intake said so, and *send it again* wherever nobody knows."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.domain.credentials.callers import ANYBODY
from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.refusals import BadItem, Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.submission import Submission, Submitter, item_result
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, RefusedInput
from pagereeve.ports.journal import JournalUnavailable
from tests.unit.engine.virtual import passing

ANSWER_S = 5.0


@dataclass
class FakeIntake:
    """Each event's id names what becomes of it; ``most`` is how many were under way at once."""

    outcomes: dict[str, Accepted | Exception] = field(default_factory=dict)
    takes_s: dict[str, float] = field(default_factory=dict)
    under_way: int = 0
    most: int = 0
    waits: list[float | None] = field(default_factory=list)
    aside: list[RefusedInput] = field(default_factory=list)
    trouble_aside: Exception | None = None
    aside_takes_s: float = 0

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        self.waits.append(wait_s)
        self.under_way += 1
        self.most = max(self.most, self.under_way)
        try:
            await asyncio.sleep(self.takes_s.get(envelope.id, 0.01))
        finally:
            self.under_way -= 1
        outcome = self.outcomes.get(envelope.id, Accepted("stored"))
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    async def refused(self, refused: RefusedInput) -> None:
        await asyncio.sleep(self.aside_takes_s)
        if self.trouble_aside is not None:
            raise self.trouble_aside
        self.aside.append(refused)

    async def badge_line(self, line: BadgeLine) -> Accepted:
        raise NotImplementedError


def envelope(name: str) -> Envelope:
    return Envelope("urn:invented", name, "a-type", None, {})


def submitted(intake: FakeIntake, stats: FeedStats | None = None, wait_s: float | None = None) -> Submission:
    submitter = Submitter(intake, "http", stats or FeedStats(), answer_s=ANSWER_S, at_once=2)
    return passing(submitter.take(envelope("e"), wait_s, ANYBODY))


@pytest.mark.parametrize("outcome", ["stored", "duplicate", "quarantined"])
def test_what_the_intake_took_is_acknowledged(outcome: Any) -> None:
    stats = FeedStats()
    taken = submitted(FakeIntake({"e": Accepted(outcome, "a detail", "in-hand")}), stats)
    assert (taken.status, taken.refusal) == (200, None)
    assert taken.members() == {"outcome": outcome, "detail": "a detail", "reading": "in-hand"}
    assert (stats.events, stats.refused) == ({outcome: 1}, {})
    assert submitted(FakeIntake()).members() == {"outcome": "stored"}


def test_a_conflict_is_refused_though_it_is_counted_as_an_event() -> None:
    stats = FeedStats()
    taken = submitted(FakeIntake({"e": Accepted("conflict")}), stats)
    assert taken.status == 409
    assert taken.refusal is not None
    assert "the first copy counts" in taken.refusal.problem
    assert (stats.events, stats.refused) == ({"conflict": 1}, {})
    detailed = submitted(FakeIntake({"e": Accepted("conflict", "kept aside as it differs")}))
    assert detailed.refusal is not None
    assert detailed.refusal.problem == "kept aside as it differs"


@pytest.mark.parametrize(
    ("trouble", "status", "reason"),
    [
        (JournalUnavailable("the disk is full"), 503, "journal-unavailable"),
        (RuntimeError("an invented fault"), 500, "internal"),
    ],
)
def test_what_was_not_stored_is_never_acknowledged(trouble: Exception, status: int, reason: Any) -> None:
    stats = FeedStats()
    taken = submitted(FakeIntake({"e": trouble}), stats)
    assert (taken.status, taken.accepted, taken.members()) == (status, None, {})
    assert taken.refusal is not None
    assert (taken.refusal.reason, taken.fault) == (reason, trouble if status == 500 else None)
    assert (stats.events, stats.refused) == ({}, {reason: 1})
    # The sender must not read in it what failed here.
    assert "disk" not in taken.refusal.problem
    assert "invented" not in taken.refusal.problem


def test_what_the_intake_refuses_is_the_senders_to_correct() -> None:
    taken = submitted(FakeIntake({"e": BadFact("data.pages", "is -1; 0 to 5 is allowed")}))
    assert 400 <= taken.status < 500
    assert taken.refusal is not None
    assert taken.refusal.where == "data.pages"


@pytest.mark.parametrize(
    ("takes_s", "wait_s", "known"),
    [(4.9, None, True), (5.1, None, False), (7.9, 3, True), (8.1, 3, False), (4.9, 0, True), (5.1, 0, False)],
)
def test_an_answer_that_takes_too_long_is_no_acknowledgement(takes_s: float, wait_s: float | None, known: bool) -> None:
    intake = FakeIntake(takes_s={"e": takes_s})
    taken = submitted(intake, wait_s=wait_s)
    assert intake.waits == [wait_s]
    assert taken.status == (200 if known else 503)
    if not known:
        assert taken.refusal is not None
        assert "not known to be stored" in taken.refusal.problem


def test_a_batch_is_answered_in_its_own_order_and_submitted_two_at_a_time() -> None:
    names = ["a", "b", "c", "d", "e"]
    intake = FakeIntake(
        {"b": JournalUnavailable("the disk is full"), "d": Accepted("duplicate")}, takes_s={"a": 3, "c": 1}
    )
    bad = BadItem(Refusal("bad-member", "event.id", "is missing"), "urn:invented", None, {"badge": "04A1"})
    stats = FeedStats()
    submitter = Submitter(intake, "http", stats, answer_s=ANSWER_S, at_once=2)
    items: list[Envelope | BadItem] = [*map(envelope, names[:3]), bad, *map(envelope, names[3:])]
    results = passing(submitter.take_all(items, None, ANYBODY))
    assert intake.most == 2
    shown = [item_result(item, result) for item, result in zip(items, results, strict=True)]
    assert [one["status"] for one in shown] == [200, 503, 200, results[3].status, 200, 200]
    assert [one["id"] for one in shown] == ["a", "b", "c", None, "d", "e"]
    assert [one.get("outcome") for one in shown] == ["stored", None, "stored", None, "duplicate", "stored"]
    assert ["problem" in one for one in shown] == [False, True, False, True, False, False]
    assert results[3].refusal is bad.refusal
    (aside,) = intake.aside
    assert (aside.feed, aside.reason, aside.where) == ("http", "bad-member", "event.id")
    assert b"04A1" not in aside.sample
    assert stats.refused == {"journal-unavailable": 1, "bad-member": 1}
    assert passing(submitter.take_all([], None, ANYBODY)) == []


@pytest.mark.parametrize(
    ("trouble", "takes_s", "unkept"),
    [
        (None, 0, 0),
        (None, 1.9, 0),
        (None, 2.1, 1),
        (JournalUnavailable("the disk is full"), 0, 1),
        (RuntimeError("an invented fault"), 0, 1),
    ],
)
def test_what_can_not_be_kept_aside_is_counted_and_the_sender_answered(
    trouble: Exception | None, takes_s: float, unkept: int
) -> None:
    intake = FakeIntake(trouble_aside=trouble, aside_takes_s=takes_s)
    stats = FeedStats()
    refusal = Refusal("bad-member", "event.id", "is missing")
    submitter = Submitter(intake, "http", stats, answer_s=ANSWER_S, at_once=2)
    taken = passing(submitter.refuse(refusal, b"{}"))
    assert taken.refusal is refusal
    assert taken.fault is (trouble if isinstance(trouble, RuntimeError) else None)
    assert (stats.unkept, len(intake.aside), stats.refused) == (unkept, 1 - unkept, {"bad-member": 1})


def test_a_refusal_without_a_sample_is_counted_alone() -> None:
    intake, stats = FakeIntake(), FeedStats()
    submitter = Submitter(intake, "http", stats, answer_s=ANSWER_S, at_once=2)
    refusal = Refusal("bad-member", "event.id", "is missing")
    assert passing(submitter.refuse(refusal, None)).refusal is refusal
    assert (intake.aside, stats.refused, stats.unkept) == ([], {"bad-member": 1}, 0)
