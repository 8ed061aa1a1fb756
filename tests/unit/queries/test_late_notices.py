"""What was known when: notices that came hours late, and the difference that each made."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted
from pagereeve.queries.explain import explained
from pagereeve.queries.late_notices import LateNotice, what_was_known
from pagereeve.queries.release_evidence import gather
from pagereeve.reports.explain import explain_all, explain_json
from tests.histories import ONE_RELEASE, PRINTER, SIMPLE, at, ended, journal_of, origin, policy, reading, started

HOUR = 3600.0


def told_at(notice: Fact, second: float) -> Fact:
    assert isinstance(notice, ReleaseStarted | ReleaseEnded)
    return replace(notice, origin=replace(notice.origin, received_us=at(second)))


LATE: tuple[Fact, ...] = (
    policy(),
    reading(-1800, -2, 1000, count=4),
    reading(9, 60, 1005, count=9),
    told_at(started("r-1001", 0, "anise", SIMPLE), 2.5 * HOUR),
    told_at(ended("r-1001", 6), 2.6 * HOUR),
    reading(3 * HOUR, 3 * HOUR + 60, 1005, count=9),
)


async def learnt(facts: tuple[Fact, ...], release: str = "r-1001") -> list[LateNotice]:
    journal = await journal_of(facts)
    (evidence,) = await gather(journal, release)
    return list((await what_was_known(journal, evidence)).late)


async def test_a_release_told_hours_later_says_what_stood_there_before_and_what_it_changed() -> None:
    """opslane/opslane#62: event 09:00 arrives 11:30, belongs to 09:00, listed as late 2 h 30."""
    start, end = await learnt(LATE)
    assert (start.at_us, start.late_us) == (at(2.5 * HOUR), 9_000_000_000)
    assert (start.before.verdict, start.after.verdict) == ("not known", "agrees")
    assert dict(start.before.accounts) == {"house:stray": 5}
    assert start.differences() == [("house:stray", -5), ("person:anise", 5)]
    assert end.what == "the end notice of r-1001"
    assert end.differences() == []


async def test_explain_shows_it_in_words_and_as_data() -> None:
    journal = await journal_of(LATE)
    known = await explained(journal, "r-1001")
    text = explain_all(known, ZoneInfo("UTC"))
    assert "WHAT WAS KNOWN WHEN" in text
    assert "2026-11-25 11:30:00.000+00:00  the start notice of r-1001 came 2.5 h late. Until then: not known" in text
    assert "From then on: agrees, charged 5; house:stray -5, person:anise +5" in text
    body = explain_json(known[0])["known"][0]
    assert body["after"]["charged"] == 5
    assert {one["account"]: one["pages"] for one in body["differences"]} == {"house:stray": -5, "person:anise": 5}


async def test_what_came_in_time_is_not_told() -> None:
    assert await learnt(ONE_RELEASE) == []
    journal = await journal_of(ONE_RELEASE)
    assert "WHAT WAS KNOWN" not in explain_all(await explained(journal, "r-1001"), ZoneInfo("UTC"))


async def test_another_release_of_the_bracket_that_came_late_changes_the_share() -> None:
    facts = (
        policy(),
        reading(-60, -1, 100),
        started("r-1", 0, "anise", SIMPLE),
        told_at(started("r-2", 1, "basil", SIMPLE), HOUR),
        ended("r-1", 3),
        told_at(ended("r-2", 4), HOUR + 1),
        reading(9, 60, 110),
        reading(1.5 * HOUR, 1.5 * HOUR + 60, 110),
    )
    first, *_ = await learnt(facts, "r-1")
    assert first.what == "the start notice of r-2"
    assert (first.before.verdict, first.after.verdict) == ("surplus", "agrees")
    assert first.differences() == [("house:surplus", -5), ("person:basil", 5)]


async def test_a_name_that_was_used_again_is_explained_each_time_by_itself() -> None:
    again = ReleaseStarted(PRINTER, origin("second", HOUR), "r-1001", "another-job", "basil", ticket=SIMPLE)
    facts = (
        *ONE_RELEASE,
        again,
        ReleaseEnded(PRINTER, origin("second-end", HOUR + 5), "r-1001", "completed"),
        reading(HOUR + 9, HOUR + 60, 1010, count=9),
    )
    evidences = await gather(await journal_of(facts), "r-1001")
    assert [(one.charges[0].owner, one.charges[0].charged) for one in evidences] == [("anise", 5), ("basil", 5)]
    assert [[start.origin.id for start in one.starts] for one in evidences] == [["r-1001.started"], ["second"]]
    assert [[end.origin.id for end in one.ends] for one in evidences] == [["r-1001.ended"], ["second-end"]]
