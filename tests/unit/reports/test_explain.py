"""Explain: the whole chain of evidence, readable, and never more of a badge than that there was one."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.facts.facts import BadgePolicySet, Fact, PlateauRead, ReleaseStarted, SettleLearned
from pagereeve.domain.facts.policy import BadgePolicy, Policy
from pagereeve.domain.facts.reading import PrinterState, Unit, UnitGrade
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.queries import late_notices
from pagereeve.queries.explain import Explained
from pagereeve.queries.explain import explained as known_of
from pagereeve.queries.release_evidence import gather
from pagereeve.reports.explain import explain_all, explain_json, explain_text
from tests.histories import ONE_RELEASE, PRINTER, SIMPLE, at, badge, ended, failed, journal_of, policy, reading, started

BERLIN = ZoneInfo("Europe/Berlin")

GOLDEN = """\
Release r-1001 of /release-server
Job job-r-1001 of anise, on printer library-ground, started 2026-11-25 10:00:00.000+01:00
Times are of Europe/Berlin.

THE ANSWER
  Asked for: 5, by anise.
  Counted: 5, by the printer's meter, for this release alone.
  Charged: 5.
  Why: the count lies within what was expected; by the policy 'lesser' the lesser of counted and released is charged.
  Not known: nothing.

WHAT WAS RELEASED
  5 pages, 1 copy, one-sided, 1 page on a side

WHAT HAPPENED, IN ORDER
  2026-11-25 09:30:00.050+01:00  meter read (the reading before): total 1000 (idle); the same in 4 readings over 30 min
  2026-11-25 09:59:57.000+01:00  the release's badge was presented at gateway gate-1 \
(from urn:pagereeve:feed:line, received 0.2 s later)
  2026-11-25 10:00:00.000+01:00  the release started through gateway gate-1 \
(event r-1001.started from /release-server, received 0.2 s later)
  2026-11-25 10:00:03.050+01:00  meter read: total 1002 (printing)
  2026-11-25 10:00:05.000+01:00  1 read of the meter failed over 3.0 s: no answer
  2026-11-25 10:00:06.000+01:00  its end was reported: completed \
(event r-1001.ended from /release-server, received 0.2 s later)
  2026-11-25 10:00:09.050+01:00  meter read (the reading after): total 1005 (idle); the same in 9 readings over 51 s

CHANNEL total (in impressions)
  Before: 1000, unchanged until 2026-11-25 09:59:58.000+01:00, 2.0 s before the start
  After:  1005, from 2026-11-25 10:00:19.050+01:00 on, 19 s after the start
  Counted: 1005 - 1000 = 5
  The window closed when the meter had rested for 10 s, the printer's settle time.
  Settle time: 10 s, as the policy sets it.
  Unit: impressions; said by the agent, and not proven with test pages.
  Evidence: tight; the meter was read shortly before and after, and no other release ran in between.
  Expected: 5.
  Verdict: agrees; the count lies within what was expected.
  Released 5, counted 5, charged 5, unsupported 0: by the policy 'lesser' the lesser of counted and released is charged.
  Posting: meter:library-ground gives 5; person:anise receives 5.

FINDINGS
  none
"""


async def told_of(facts: tuple[Fact, ...], release: str) -> str:
    journal = await journal_of(facts)
    return explain_all(await known_of(journal, release), BERLIN)


async def test_a_simple_release_reads_like_this() -> None:
    assert await told_of(ONE_RELEASE, "r-1001") == GOLDEN


async def test_a_badge_is_a_badge_and_neither_number_nor_hash() -> None:
    (evidence,) = await gather(await journal_of(ONE_RELEASE), "r-1001")
    told = explain_text(Explained(evidence), BERLIN) + json.dumps(explain_json(Explained(evidence)))
    assert "badge" in told
    assert "0123456789ab" not in told


SHARED: tuple[Fact, ...] = (
    policy(),
    reading(-60, -1, 100),
    started("r-1", 0, "anise", Ticket(pages=2, copies=1, sides="one-sided", number_up=1, separator_sheets=0)),
    started("r-2", 1, "basil", Ticket(pages=4, copies=1, sides="one-sided", number_up=1, separator_sheets=0)),
    ended("r-1", 3),
    ended("r-2", 4),
    reading(5, 5, 103, PrinterState.PRINTING),
    reading(9, 60, 108),
)


async def test_a_shared_bracket_names_the_others_and_blames_nobody() -> None:
    text = await told_of(SHARED, "r-2")
    assert "release r-1 of /release-server started on the same printer" in text
    # 8 counted, 6 expected: no inner reading tells who moved the meter, so shares are in proportion, 2 : 4 of 8.
    assert re.search(
        r"Shared with r-1 of anise \(3\): 8 counted for all, 6 expected for all; this release's share is 5\.", text
    )
    assert "Verdict: surplus; the meter counted more than was expected." in text
    assert "this is about all releases of the bracket together, not about one person" in text
    assert "charged 0, unsupported 4" in text
    assert "as far as pages surely came out for this release" in text
    assert "if somebody copied by hand meanwhile, the meter does not say so" in text
    assert "house:unattributed receives 8" in text
    alone, together = text.split("FINDINGS NOT ABOUT THIS RELEASE ALONE")
    assert "none about this release" in alone
    assert "WARNING  surplus at library-ground" in together
    assert "It accuses nobody" in together
    assert "First: Read the hints of the finding." in together
    assert "for this release and one other together; what of it is its own is not proven." in alone
    assert "it is said of all of them, and of nobody alone" in alone


async def test_sixty_readings_in_a_row_are_one_line() -> None:
    readings = [reading(2 + nth, 2 + nth, 100 + nth, PrinterState.PRINTING) for nth in range(1, 61)]
    ticket = Ticket(pages=60, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
    facts = (policy(), reading(-60, -1, 100), started("r-1", 0, "anise", ticket), *readings, ended("r-1", 63))
    text = await told_of((*facts, reading(64, 120, 160)), "r-1")
    assert text.count("meter read") == 3
    assert "meter read 60 times within 59 s: total 101 to 160" in text


async def test_badges_of_others_are_not_shown() -> None:
    others = badge(-2, "b-00000000000000000000000000000000")
    text = await told_of((*ONE_RELEASE, others), "r-1001")
    assert text == GOLDEN


async def test_a_bracket_of_very_many_says_how_many_it_leaves_out() -> None:
    ticket = Ticket(pages=1, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
    names = [f"r-{nth}" for nth in range(60)]
    notices = [
        fact for nth, name in enumerate(names) for fact in (started(name, nth / 9, name, ticket), ended(name, 8))
    ]
    facts: tuple[Fact, ...] = (policy(), reading(-60, -1, 100), *notices, reading(9, 60, 170))
    (evidence,) = await gather(await journal_of(facts), "r-7")
    body = explain_json(Explained(evidence))
    assert (len(body["shared_with"]), body["shared_with_left_out"]) == (50, 9)
    assert " and 39 more: 70 counted for all" in explain_text(Explained(evidence), BERLIN)


async def test_an_open_window_says_so_and_decides_nothing() -> None:
    facts = (policy(), reading(-60, -1, 100), started("r-1", 0, "anise", SIMPLE))
    text = await told_of(facts, "r-1")
    assert "The window is still open: the meter has not come to rest yet." in text
    assert "Verdict: none yet." in text
    assert "nothing is decided while the window is open" in text
    assert "counted unknown" in text


async def test_a_ticket_that_leaves_much_open_has_its_reasons_told() -> None:
    facts = (
        policy(value=Policy(separator_sheets=None)),
        reading(-60, -1, 100),
        started("r-1", 0, "anise", Ticket(pages=3, sides="two-sided-long-edge", number_up=1, unknown=("copies",))),
        ended("r-1", 3),
        reading(9, 60, 104),
    )
    text = await told_of(facts, "r-1")
    assert "3 pages, two-sided (long edge), 1 page on a side" in text
    assert "Because the ticket does not say how many copies, so at least one is expected." in text
    assert "Because the blank back of a last sheet may or may not be counted by this printer." in text
    assert "Because there may be up to two separator sheets." in text
    assert "Released unknown, counted 4, charged 4, unsupported 0" in text


async def test_a_name_of_several_sources_is_explained_for_each_or_for_the_one_asked_for() -> None:
    other = started("r-1001", 300, "basil", SIMPLE, source="/other-server")
    journal = await journal_of((*ONE_RELEASE, other))
    assert [one.key.source for one in await gather(journal, "r-1001")] == ["/release-server", "/other-server"]
    (only,) = await gather(journal, "r-1001", "/other-server")
    assert only.charges[0].owner == "basil"
    with pytest.raises(BadQuestion, match="came from '/third'; it came from /other-server, /release-server"):
        await gather(journal, "r-1001", "/third")


async def test_an_unknown_release_is_a_clear_error() -> None:
    with pytest.raises(BadQuestion, match="no release 'r-9' is known"):
        await gather(await journal_of(ONE_RELEASE), "r-9")


async def test_the_reading_before_is_found_however_long_ago_the_meter_last_moved() -> None:
    year = 365 * 86_400.0
    facts = (
        policy(-2 * year),
        reading(-year, -1, 100, count=9000),
        *(badge(-year + day * 86_400.0, f"b-{day:032x}") for day in range(1, 20)),
        *ONE_RELEASE[3:],
    )
    journal = await journal_of((*facts[:-2], ended("r-1001", 6), reading(9, 60, 105)))
    (evidence,) = await gather(journal, "r-1001")
    assert evidence.plateaus[0].count == 9000
    assert "the same in 9000 readings over 365.0 d" in explain_text(Explained(evidence), BERLIN)


async def test_control_characters_from_outside_are_written_out() -> None:
    facts = (policy(), reading(-60, -1, 100), started("r-1", 0, "an\x9bise", SIMPLE))
    text = await told_of(facts, "r-1")
    assert "an\\x9bise" in text
    assert all(letter.isprintable() or letter == "\n" for letter in text)


async def test_the_json_has_the_rows_the_order_and_the_sentences() -> None:
    (evidence,) = await gather(await journal_of(SHARED), "r-1")
    body = json.loads(json.dumps(explain_json(Explained(evidence))))
    assert [one["release"] for one in body["shared_with"]] == ["r-2"]
    assert [one["at"] for one in body["timeline"]] == sorted(one["at"] for one in body["timeline"])
    assert body["channels"][0]["sentences"][-1].startswith("Released 2, counted 3, charged 0, unsupported 2")
    assert [one["counted"] for one in body["stretches"]] == [8]
    assert [one["kind"] for one in body["findings"]] == ["surplus"]


async def test_a_card_that_lay_on_the_reader_is_one_line() -> None:
    hashed = "b-0123456789abcdef0123456789abcdef"
    again = tuple(badge(-3 + nth / 2, hashed) for nth in range(1, 4))
    text = await told_of((*ONE_RELEASE[:4], *again, *ONE_RELEASE[4:]), "r-1001")
    assert text.count("presented at gateway gate-1") == 1
    assert "and seen 3 times more within 1.5 s" in text


async def test_a_swipe_is_collapsed_by_the_window_of_the_house() -> None:
    """At 3.0 s and 2.5 s before the release: one swipe by the default of 2 s, two where the site says 0.2 s."""
    again = (*ONE_RELEASE, badge(-2.5, "b-0123456789abcdef0123456789abcdef"))
    short = BadgePolicySet(at(-3600), BadgePolicy(swipe_us=200_000))
    one = await told_of(again, "r-1001")
    assert one.count("the release's badge was presented") == 1
    assert "and seen once more within 0.5 s" in one
    assert (await told_of((*again, short), "r-1001")).count("the release's badge was presented") == 2


def restarted_to(fact: Fact, uptime_s: int) -> PlateauRead:
    """The reading, by an agent that has been up for so long."""
    assert isinstance(fact, PlateauRead)
    lasted_cs = (fact.plateau.last_received_us - fact.plateau.first_received_us) // 10_000
    first_cs = uptime_s * 100
    plateau = replace(fact.plateau, first_uptime_cs=first_cs, last_uptime_cs=first_cs + lasted_cs)
    return replace(fact, plateau=plateau)


TWICE = "at most 2 of the pages before the restart may be counted twice"


async def test_a_count_that_fell_back_while_a_release_printed_is_told_in_its_own_explanation() -> None:
    facts = (
        policy(),
        restarted_to(reading(-60, -1, 1000), 9_000),
        started("r-1", 0, "anise", SIMPLE),
        ended("r-1", 2),
        restarted_to(reading(4, 5, 1004, PrinterState.PRINTING), 9_064),
        restarted_to(reading(60, 100, 1002), 10),
    )
    text = await told_of(facts, "r-1")
    assert f"the count fell back to a value saved earlier, after a restart; {TWICE}" in text
    assert f"Not known: how much came out; whether {TWICE}, as the count fell back; whose badge" in text


async def test_a_count_that_fell_back_right_after_a_release_is_told_there_and_in_no_earlier_one() -> None:
    facts = (
        policy(),
        restarted_to(reading(-60, -1, 1000), 9_000),
        started("r-1", 0, "anise", SIMPLE),
        ended("r-1", 2),
        restarted_to(reading(5, 60, 1005), 9_065),
        started("r-2", 61, "basil", SIMPLE),
        ended("r-2", 63),
        restarted_to(reading(66, 120, 1010), 9_126),
        restarted_to(reading(180, 240, 1008), 20),
        restarted_to(reading(900, 960, 1008), 740),
    )
    second = await told_of(facts, "r-2")
    assert "Verdict: agrees" in second
    assert "meter read after it: total 1008 (idle); the same in 2 readings over 60 s; the count fell back" in second
    assert f"whether {TWICE}, as the count fell back" in second
    assert "counted twice" not in await told_of(facts, "r-1")


async def test_a_surplus_of_two_figures_says_which_is_whose() -> None:
    """9 to 12 sides expected, 27 counted: 15 more than the most expected, 18 more than the 9 that are charged."""
    ticket = Ticket(pages=3, copies=3, sides="two-sided-long-edge", number_up=1, separator_sheets=0)
    facts = (policy(), reading(-60, -1, 100), started("r-1", 0, "anise", ticket), ended("r-1", 3), reading(9, 60, 127))
    text = await told_of(facts, "r-1")
    told = "15 more than the most that was expected, and 18 more than what is charged for: "
    assert f"{told}the finding counts the 15, the ledger's house accounts receive the 18" in text
    assert "house:surplus receives 18" in text
    assert "- the blank back of a last sheet may or may not be counted by this printer" in text
    exact = (*facts[:2], started("r-1", 0, "anise", SIMPLE), *facts[3:])
    assert "more than the most that was expected" not in await told_of(exact, "r-1")


async def test_a_finding_that_only_offers_the_release_stands_apart() -> None:
    """Three pages missing, then three stray ones: perhaps its own, and nothing proves it."""
    (known,) = await known_of(await journal_of(ONE_RELEASE), "r-1001")
    key = known.evidence.key
    cuts = shown.gap_counted(3, Unit.IMPRESSIONS, after_power_off=False)
    known.evidence.findings = [
        find.make("stray-pages", PRINTER, (), at(70), cuts, [shown.perhaps_missed(key)]),
        find.make("release-never-ended", PRINTER, (), at(0), shown.no_end(), [shown.release(key)]),
        find.make("surplus", PRINTER, (), at(0), shown.no_end(), [], releases=[key]),
    ]
    alone, apart = explain_text(known, BERLIN).split("FINDINGS NOT ABOUT THIS RELEASE ALONE")
    assert "release-never-ended" in alone
    assert "surplus at" in alone
    assert "stray-pages" in apart
    assert "surplus at" not in apart


async def test_readings_and_failures_that_take_turns_are_one_line() -> None:
    facts: list[Fact] = [policy(), reading(-60, -1, 100), started("r-1", 0, "anise", SIMPLE)]
    for nth in range(30):
        facts += [reading(2 + nth, 2 + nth, 100 + nth // 10, PrinterState.PRINTING), failed(2.3 + nth, 2.6 + nth, 1)]
    text = await told_of((*facts, ended("r-1", 33), reading(40, 100, 105)), "r-1")
    assert re.search(r"meter read \d+ times within \d+ s: total 100 to 102; 30 reads failed in between", text)
    assert len([line for line in text.splitlines() if "meter" in line]) < 14


async def test_many_other_releases_in_a_row_are_one_line_and_those_left_out_are_counted() -> None:
    names = [f"r-{nth}" for nth in range(60)]
    ticket = Ticket(pages=1, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
    notices = [
        fact for nth, name in enumerate(names) for fact in (started(name, nth / 9, name, ticket), ended(name, 8))
    ]
    text = await told_of((policy(), reading(-60, -1, 100), *notices, reading(9, 60, 160)), "r-7")
    order = text[text.index("WHAT HAPPENED") : text.index("CHANNEL")]
    assert "9 more releases ran on the same printer: left out here" in order
    assert "other releases on the same printer started or ended" in order
    assert len(order.splitlines()) < 20


async def test_what_came_late_is_said_to_be_left_out_where_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    journal = await journal_of(ONE_RELEASE)
    monkeypatch.setattr(late_notices, "FACTS_MAX", 3)
    (known,) = await known_of(journal, "r-1001")
    assert not known.known.gone_through
    text = explain_text(known, BERLIN)
    assert "WHAT WAS KNOWN WHEN\n  Left out: more than" in text
    assert explain_json(known)["known_gone_through"] is False
    some = replace(known, known=replace(known.known, gone_through=True, left_out=3))
    assert "Left out: 3 more that came late, after these." in explain_text(some, BERLIN)


async def test_a_release_at_an_unknown_printer_is_told_of_no_settle_time() -> None:
    facts = (started("r-1", 0, "anise", SIMPLE), ended("r-1", 3))
    text = await told_of(facts, "r-1")
    assert "Nobody registered a printer of that name" in text
    assert "Settle time" not in text


async def test_sentences_of_the_json_are_in_the_asked_zone() -> None:
    learnt = SettleLearned(PRINTER, at(-1800), 14_000_000)
    (known,) = await known_of(await journal_of((*ONE_RELEASE, learnt)), "r-1001")
    sentences = explain_json(known, BERLIN)["channels"][0]["sentences"]
    assert any("learnt 2026-11-25 09:30" in one for one in sentences)


def of_unit(fact: Fact, unit: Unit, grade: UnitGrade) -> Fact:
    """The same history, two-sided and of a counter whose unit is known so."""
    if isinstance(fact, ReleaseStarted):
        return replace(fact, ticket=replace(fact.ticket, pages=8, sides="two-sided-long-edge"))
    if not isinstance(fact, PlateauRead):
        return fact
    sight = fact.plateau.sight
    counts = tuple((name, replace(count, unit=unit, grade=grade)) for name, count in sight.counts)
    return replace(fact, plateau=replace(fact.plateau, sight=replace(sight, counts=counts)))


async def test_an_unknown_unit_is_said_and_what_follows_from_it() -> None:
    facts = tuple(of_unit(fact, Unit.UNKNOWN, UnitGrade.ASSUMED) for fact in ONE_RELEASE)
    text = await told_of(facts, "r-1001")
    note = "the charge rests on the counter's unit, and that is not known as well as charging_needs asks for"
    lines = [
        "Asked for: 4 to 8, by anise.",
        "Charged: 0, and 4 unsupported, to be waived or confirmed (pagereeve decide).",
        "Not known: whether the meter counts sheets or sides.",
        "CHANNEL total (unit unknown)",
        "Unit: sheets or sides; assumed: nobody says whether it is sheets or sides.",
        "Expected: 4 to 8.",
        "Because nobody says whether the meter counts sheets or sides, so anything from the one to the other fits.",
        f"Note: {note}: the claim is listed apart (unsupported).",
    ]
    said = {line.strip() for line in text.splitlines()}
    assert [line for line in lines if line not in said] == []


@pytest.mark.parametrize(("grade", "told"), [(UnitGrade.PROVEN, 0), (UnitGrade.INFERRED, 1), (UnitGrade.SAID, 1)])
async def test_a_proven_unit_needs_no_word(grade: UnitGrade, told: int) -> None:
    facts = tuple(of_unit(fact, Unit.IMPRESSIONS, grade) for fact in ONE_RELEASE)
    assert (await told_of(facts, "r-1001")).count("  Unit: impressions; ") == told
