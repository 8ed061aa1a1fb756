"""What ports.journal and ports.queries promise, of the journal in memory and of the one in SQLite alike."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import (
    Assigned,
    BadgePolicySet,
    BadgeUnreadable,
    Bound,
    Conflict,
    Decided,
    Fact,
    PolicySet,
    PrinterNoted,
    Registered,
    SettleLearned,
)
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.facts.policy import BadgePolicy, Policy
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.ports.journal import CLAIMS_MAX, Receipt, StoredFact
from pagereeve.ports.store import Store
from pagereeve.store.sql.fact_reads import UNROUTED_MAX
from pagereeve.store.sql.snapshots import PAGE_ROWS
from tests.journal_samples import NOON_US, SECOND_US, SERVER, badge, ended, failed, origin, read, segment, started


async def facts_of(store: Store, printer: str, from_us: int | None = None) -> list[StoredFact]:
    return [stored async for stored in store.facts(printer, from_us)]


async def test_numbers_count_up_from_1_on_each_printers_timeline(store: Store) -> None:
    printers = ["printer-a", "printer-b", "printer-a", "", "printer-a", "printer-b"]
    receipts = [await store.append(badge(f"e{place}", printer)) for place, printer in enumerate(printers)]
    assert [receipt.seq for receipt in receipts] == [1, 1, 2, 1, 3, 2]
    assert {receipt.outcome for receipt in receipts} == {"stored"}
    assert [stored.seq for stored in await facts_of(store, "printer-a")] == [1, 2, 3]


async def test_a_second_delivery_changes_nothing(store: Store) -> None:
    event = started("e1")
    await store.append(badge("e0"))
    first = await store.append(event)
    assert first == Receipt("stored", 2)
    assert await store.append(event) == Receipt("duplicate", 2)
    assert await store.count_facts() == 2


async def test_what_we_added_to_an_event_does_not_make_it_another(store: Store) -> None:
    """Receipt, corrected instant, clock mark and route are ours; type, data and time are the sender's claim."""
    event = badge("e1")
    await store.append(event)
    later = replace(event.origin, received_us=NOON_US + 90 * SECOND_US, at_us=NOON_US + 1, clock="corrected")
    assert (await store.append(replace(event, origin=later))).outcome == "duplicate"
    assert (await store.append(replace(event, printer="printer-b"))).outcome == "duplicate"


async def test_what_is_stored_together_has_a_receipt_each_or_is_not_stored(store: Store) -> None:
    await store.append(badge("e1", "printer-b"))
    copies = [badge(f"e{place}", f"printer-{letter}") for place, letter in enumerate("abc")]
    receipts = await store.append_together(copies)
    assert receipts == (Receipt("stored", 1), Receipt("duplicate", 1), Receipt("stored", 1))
    with pytest.raises(BadFact):
        await store.append_together([badge("e4"), started("e5", job="a\x00b")])
    assert await store.count_facts() == 3


@pytest.mark.parametrize(
    "other",
    [
        started("e1", job="job-2"),
        badge("e1"),
    ],
    ids=["data", "type"],
)
async def test_other_data_under_a_known_identity_is_kept_aside_and_told(store: Store, other: Fact) -> None:
    await store.append(started("e1"))
    receipt = await store.append(other)
    assert receipt == Receipt("conflict", 2)
    [first, told] = [stored.fact for stored in await facts_of(store, "printer-a")]
    assert first == started("e1")
    assert isinstance(told, Conflict)
    assert told.origin.id == "e1"
    assert told.printer == "printer-a"


@pytest.mark.parametrize("occurred_us", [NOON_US + 1, None], ids=["time", "no time"])
async def test_the_same_data_with_another_time_is_the_same_event(store: Store, occurred_us: int | None) -> None:
    await store.append(started("e1"))
    again = replace(started("e1"), origin=replace(origin("e1"), occurred_us=occurred_us))
    assert await store.append(again) == Receipt("duplicate", 1)
    assert [stored.fact for stored in await facts_of(store, "printer-a")] == [started("e1")]


async def test_a_conflict_is_told_once_for_each_distinct_claim(store: Store) -> None:
    await store.append(started("e1"))
    for _ in range(2):
        assert await store.append(started("e1", job="job-2")) == Receipt("conflict", 2)
        assert await store.append(started("e1", job="job-3")) == Receipt("conflict", 3)
    assert await store.append(started("e1")) == Receipt("duplicate", 1)
    assert await store.count_facts() == 3


async def test_ever_more_claims_under_one_identity_take_no_more_room(store: Store) -> None:
    await store.append(started("e1"))
    receipts = await asyncio.gather(*(store.append(started("e1", job=f"claim-{nth}")) for nth in range(200)))
    receipts += [await store.append(started("e1", job=f"claim-{nth}")) for nth in range(4_000)]
    assert {one.outcome for one in receipts} == {"conflict"}
    assert sum(one.is_new for one in receipts) == CLAIMS_MAX
    assert await store.count_facts() == 1 + CLAIMS_MAX
    assert receipts[-1].seq == 1 + CLAIMS_MAX


async def test_a_conflict_lies_with_the_printer_of_the_second_event(store: Store) -> None:
    """Its number is on the timeline of the fact that was handed in: the caller knows where to look."""
    await store.append(started("e1", "printer-a"))
    receipt = await store.append(started("e1", "printer-b"))
    assert receipt == Receipt("conflict", 1)
    assert isinstance((await facts_of(store, "printer-b"))[0].fact, Conflict)


async def test_a_stored_conflict_has_no_identity_to_collide_with(store: Store) -> None:
    conflict = Conflict("printer-a", origin("e1"), "pagereeve.badge.presented.v1", "00" * 32)
    assert (await store.append(conflict)).outcome == "stored"
    assert (await store.append(badge("e1"))).outcome == "stored"
    assert (await store.append(conflict)).outcome == "stored"


async def test_many_at_once_are_told_apart_within_their_group(store: Store) -> None:
    events = [started("e1"), started("e1"), started("e1", job="job-2"), started("e2"), started("e1", job="job-2")]
    receipts = await asyncio.gather(*map(store.append, events))
    assert [receipt.outcome for receipt in receipts] == ["stored", "duplicate", "conflict", "stored", "conflict"]
    assert [receipt.seq for receipt in receipts] == [1, 1, 2, 3, 2]


async def test_the_same_id_of_two_sources_is_two_events(store: Store) -> None:
    other = replace(started("e1"), origin=origin("e1", source="urn:example:another-server"))
    assert (await store.append(started("e1"))).outcome == "stored"
    assert (await store.append(other)).outcome == "stored"


async def test_facts_from_an_instant_on_in_order_of_their_numbers(store: Store) -> None:
    offsets_s = [0, 50, 10, 60, 20]
    for place, offset_s in enumerate(offsets_s):
        await store.append(badge(f"e{place}", at_us=NOON_US + offset_s * SECOND_US))
    later = await facts_of(store, "printer-a", NOON_US + 20 * SECOND_US)
    assert [stored.seq for stored in later] == [2, 4, 5]
    assert await facts_of(store, "printer-a", NOON_US + 61 * SECOND_US) == []
    assert await facts_of(store, "printer-z") == []


@pytest.mark.parametrize("number", [PAGE_ROWS - 1, PAGE_ROWS, 2 * PAGE_ROWS + 1])
async def test_no_fact_is_lost_between_pages(store: Store, number: int) -> None:
    await asyncio.gather(*(store.append(badge(f"e{place}")) for place in range(number)))
    assert [stored.seq for stored in await facts_of(store, "printer-a")] == list(range(1, number + 1))


async def test_facts_may_be_appended_while_others_are_read(store: Store) -> None:
    for place in range(PAGE_ROWS + 1):
        await store.append(badge(f"e{place}"))
    seen = 0
    async for stored in store.facts("printer-a"):
        seen = stored.seq
        if seen % 50 == 0:
            await store.append(badge(f"late-{seen}"))
    assert seen >= PAGE_ROWS + 1


async def test_the_open_run_is_replaced_and_sealed_runs_become_facts(store: Store) -> None:
    assert await store.open_run("printer-a") is None
    assert await store.observe("printer-a", [], read(100)) == ()
    assert await store.observe("printer-a", [read(100)], failed()) == (1,)
    assert await store.observe("printer-a", [failed(), read(100)], read(103)) == (2, 3)
    known = await store.open_run("printer-a")
    assert known is not None
    assert known.fact == read(103)
    assert [stored.fact for stored in await facts_of(store, "printer-a")] == [read(100), failed(), read(100)]


async def test_a_run_of_another_printer_is_refused(store: Store) -> None:
    with pytest.raises(ValueError, match="printer-b"):
        await store.observe("printer-a", [], read(100, "printer-b"))
    with pytest.raises(ValueError, match="printer-b"):
        await store.observe("printer-a", [read(100, "printer-b")], read(100))
    assert await store.count_facts() == 0


async def test_a_turn_is_stored_as_a_whole_or_not_at_all(store: Store) -> None:
    rows = segment("printer-a", 0)
    await store.keep_turn("printer-a", [read(100)], read(103), Update(NOON_US, (rows,)))
    for sealed, update in (
        ([read(100)], Update(0, (segment("printer-b", 0),))),
        ([read(100, "printer-b")], Update(0, ())),
    ):
        with pytest.raises(ValueError, match=r"another printer|printer-b"):
            await store.keep_turn("printer-a", sealed, read(104), update)
    known = await store.open_run("printer-a")
    assert known is not None
    assert known.fact == read(103)
    assert [stored.fact for stored in await facts_of(store, "printer-a")] == [read(100)]
    assert list(await store.segments("printer-a")) == [rows]


async def test_a_fact_that_could_not_be_read_again_is_refused_and_disturbs_nobody(store: Store) -> None:
    huge = PolicySet("printer-a", NOON_US, Policy(modulus=2**60))
    bad: list[Fact] = [started("e1", job=""), started("e2", job="a\x00b"), started("e3", job="\ud800")]
    results = await asyncio.gather(
        *map(store.append, [*bad, huge]), store.append(started("e4")), return_exceptions=True
    )
    assert [type(result) for result in results[:3]] == [BadFact, BadFact, BadCanonical]
    assert isinstance(results[3], BadCanonical)
    assert results[4] == Receipt("stored", 1)


async def test_a_start_is_told_what_was_stored_before_of_its_release(store: Store) -> None:
    early_end = ended("e1", "release-1")
    await store.append(early_end)
    await store.append(started("e2", release="another"))
    first = await store.append(started("e3", release="release-1"))
    assert first.notices == (early_end,)
    again = await store.append(started("e4", "printer-b", release="release-1", at_us=NOON_US + 5))
    assert again.notices == (early_end, started("e3", release="release-1"))
    assert (await store.append(started("e3", release="release-1"))).outcome == "duplicate"


async def test_of_a_start_and_an_end_that_come_at_once_one_sees_the_other(store: Store) -> None:
    for number in range(20):
        release = f"release-{number}"
        start, end = started(f"s{number}", release=release), ended(f"e{number}", release)
        pair = (start, end) if number % 2 else (end, start)
        receipts = await asyncio.gather(*(store.append(one) for one in pair))
        seen = [notice for receipt in receipts for notice in receipt.notices]
        # Which is stored first is not promised: where events come in a crowd, an end waits for company.
        assert seen in ([start], [end])


async def test_ends_without_a_printer_are_found_all_together(store: Store) -> None:
    await store.append(ended("e1", "release-1", at_us=NOON_US))
    await store.append(ended("e2", "release-2", at_us=NOON_US + 9))
    await store.append(ended("e3", "release-1", "printer-a"))
    await store.append(badge("e4", ""))
    assert [fact.origin.id for fact in await store.unrouted_ends() if not isinstance(fact, Assigned)] == ["e2", "e1"]  # type: ignore[union-attr]


async def test_unrouted_ends_are_bounded_latest_first(store: Store) -> None:
    number = UNROUTED_MAX + 3
    await asyncio.gather(*(store.append(ended(f"e{place}", "r", at_us=NOON_US + place)) for place in range(number)))
    ends = await store.unrouted_ends()
    assert len(ends) == UNROUTED_MAX
    assert ends[0] == ended(f"e{number - 1}", "r", at_us=NOON_US + number - 1)


async def test_the_facts_of_a_release_whatever_printer_they_lie_with(store: Store) -> None:
    late, early = started("e1", "printer-b", release="r", at_us=NOON_US + 9), started("e2", release="r")
    end = ended("e3", "r", at_us=NOON_US + 4)
    for fact in (late, early, end, started("e4", release="another")):
        await store.append(fact)
    assert await store.release_facts(SERVER, "r") == [early, end, late]
    assert await store.release_starts(SERVER, ["r", "none", "r"], NOON_US, NOON_US + 9) == [early, late]
    assert await store.release_starts(SERVER, ["r"], NOON_US + 1, NOON_US + 8) == []
    assert await store.release_starts("urn:invented:other", ["r"], NOON_US, NOON_US + 9) == []


async def test_standing_facts_are_those_in_force_beyond_their_time(store: Store) -> None:
    noted = PrinterNoted("printer-a", origin("n1"), "maintenance-begun")
    standing: list[Fact] = [
        PolicySet("printer-a", NOON_US, Policy(fall_back=3)),
        SettleLearned("printer-a", NOON_US, 4 * SECOND_US),
        noted,
        Decided("printer-a", origin("d1"), "finding-1", "explain", "person-1", "jam"),
    ]
    for fact in (badge("e1"), standing[0], read(100), *standing[1:], started("e2"), Assigned(NOON_US, "o", "c")):
        await store.append(fact)
    assert [stored.fact for stored in await store.standing_facts("printer-a")] == standing
    assert [stored.seq for stored in await store.standing_facts("printer-a")] == [2, 4, 5, 6]
    assert await store.standing_facts("") == []


async def test_recent_delays_are_a_sources_latest_in_order(store: Store) -> None:
    for place in range(5):
        await store.append(badge(f"e{place}", f"printer-{place % 2}", at_us=NOON_US + place))
    timeless = replace(badge("e5", at_us=NOON_US + 5), origin=replace(origin("e5", NOON_US + 5), occurred_us=None))
    await store.append(timeless)
    await store.append(replace(badge("e1"), origin=origin("e1", source="urn:example:another-server")))
    delays = await store.recent_delays(SERVER, 3)
    assert delays == [(NOON_US + place, NOON_US + place + SECOND_US) for place in (3, 4)]
    assert await store.recent_delays("urn:example:unheard", 3) == []


async def test_printers_are_those_with_a_fact_or_an_open_run(store: Store) -> None:
    await store.append(badge("e1", "printer-c"))
    await store.append(badge("e2", ""))
    await store.observe("printer-b", [], read(100, "printer-b"))
    await store.observe("printer-c", [], read(100, "printer-c"))
    assert await store.printers() == ["printer-b", "printer-c"]


async def test_all_facts_come_in_order_each_printers_open_run_last(store: Store) -> None:
    await store.append(badge("e1", "printer-b"))
    await store.append(badge("e2", ""))
    await store.append(badge("e3", "printer-a"))
    await store.observe("printer-a", [read(100)], read(103))
    await store.observe("printer-c", [], failed("printer-c"))
    facts = [fact async for fact in store.all_facts()]
    expected = [
        badge("e2", ""),
        badge("e3", "printer-a"),
        read(100),
        read(103),
        badge("e1", "printer-b"),
        failed("printer-c"),
    ]
    assert facts == expected
    assert await store.count_facts() == 4


async def test_all_facts_hides_no_run_that_is_sealed_meanwhile(store: Store) -> None:
    for place in range(PAGE_ROWS):
        await store.append(badge(f"e{place}"))
    await store.observe("printer-a", [], read(100))
    seen: list[Fact] = []
    async for fact in store.all_facts():
        if len(seen) == PAGE_ROWS // 2:
            await store.observe("printer-a", [read(100)], read(103))
        seen.append(fact)
    assert read(100) in seen


async def test_facts_of_badge_checks_come_by_time_whatever_their_printer(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pagereeve.store.sql.fact_reads.PAGE_ROWS", 2)
    unreadable = BadgeUnreadable(origin("u1", NOON_US + 2), "gateway-1", "parity", "desk")
    facts: list[Fact] = [
        badge("e3", "printer-b", at_us=NOON_US + 3),
        unreadable,
        started("e1", "printer-a", at_us=NOON_US + 1),
        badge("e1b", "", at_us=NOON_US + 1),
        badge("e0", "printer-c", at_us=NOON_US),
    ]
    for fact in (read(100), *facts, ended("end", "release-e1"), Assigned(NOON_US, "o", "c")):
        await store.append(fact)
    ordered = [facts[4], facts[3], facts[2], unreadable, facts[0]]
    assert [fact async for fact in store.badge_facts()] == ordered
    assert [fact async for fact in store.badge_facts(NOON_US + 1)] == ordered[1:]
    assert (await store.append(unreadable)).outcome == "duplicate"
    other = replace(unreadable, reason="length")
    assert (await store.append(other)).outcome == "conflict"


async def test_late_facts_are_those_that_were_stored_after_one_of_a_later_instant(store: Store) -> None:
    early, behind = badge("early", at_us=NOON_US), started("late", at_us=NOON_US + 5)
    decision = Decided("printer-a", origin("d1", NOON_US + 90), "f-1", "close", "x")
    waited = read(90, at_us=NOON_US - 2_000)
    for fact in (early, read(100, at_us=NOON_US + 50), waited, behind, decision):
        await store.append(fact)
    assert await store.late_facts("printer-a", NOON_US + 10) == [waited, behind, decision]
    assert await store.late_facts("printer-a", NOON_US + SECOND_US) == []
    assert await store.late_facts("printer-b", NOON_US) == []


async def test_facts_of_the_house_stand(store: Store) -> None:
    site: list[Fact] = [
        Bound(0, "b-1", "anise", NOON_US),
        Registered(NOON_US, "printer-a", "gateway-1"),
        BadgePolicySet(NOON_US, BadgePolicy(swipe_us=1)),
        Decided("", origin("d2"), "f-2", "explain", "x", "other"),
    ]
    passing = NamesShown(NOON_US, "mara", NOON_US + SECOND_US)
    for fact in (*site, Assigned(NOON_US, "o", "c"), badge("e1", ""), passing):
        await store.append(fact)
    assert [stored.fact for stored in await store.standing_facts("")] == site
    assert [stored.fact async for stored in store.facts("")][-1] == passing


async def test_the_last_events_are_known_by_type_and_the_newest_fact_whatever_its_kind(store: Store) -> None:
    assert (await store.last_events(), await store.newest_us()) == ({}, None)
    await store.append(badge("b1", "printer-a"))
    await store.append(started("s1"))
    await store.append(started("s2", at_us=NOON_US + 7 * SECOND_US))
    await store.append(PolicySet("printer-z", NOON_US + 9 * SECOND_US, Policy()))
    latest = await store.last_events()
    assert set(latest) == {"pagereeve.badge.presented.v1", "pagereeve.release.started.v1"}
    assert latest["pagereeve.release.started.v1"] == NOON_US + 7 * SECOND_US
    assert await store.newest_us() == NOON_US + 9 * SECOND_US


async def test_the_growth_of_a_journal_is_told_without_reading_it(store: Store) -> None:
    assert await store.growth(NOON_US) == (None, 0, 0)
    for nth in range(6):
        await store.append(started(f"s{nth}", "printer-a", at_us=NOON_US + nth * SECOND_US))
    await store.append(PolicySet("printer-z", NOON_US + 9 * SECOND_US, Policy()))
    await store.append(badge("b1", ""))
    assert await store.growth(NOON_US + 4 * SECOND_US) == (NOON_US, 7, 3)
    assert await store.growth(NOON_US) == (NOON_US, 7, 7)
    assert await store.growth(NOON_US + 99 * SECOND_US) == (NOON_US, 7, 0)


async def test_last_reads_of_all_printers_that_were_read_and_notes_of_all(store: Store) -> None:
    assert [one async for one in store.last_reads()] == []
    for nth in range(PAGE_ROWS + 2):
        name = f"p{nth:04d}"
        sealed = [read(nth, name)] if nth % 2 else []
        await store.observe(name, sealed, read(nth + 1, name, at_us=NOON_US + SECOND_US))
    for nth, name in enumerate(("p0001", "p0001", f"p{PAGE_ROWS + 1:04d}", "never-read")):
        await store.append(PrinterNoted(name, origin(f"note-{nth}", NOON_US + nth), "proven"))
    reads = [one async for one in store.last_reads()]
    assert [one.printer for one in reads] == [f"p{nth:04d}" for nth in range(PAGE_ROWS + 2) if nth % 2]
    assert (reads[0], reads[-1]) == (read(1, "p0001"), read(PAGE_ROWS + 1, f"p{PAGE_ROWS + 1:04d}"))
    notes = [(one.printer, one.origin.at_us) async for one in store.printer_notes()]
    of_read = [("p0001", NOON_US), ("p0001", NOON_US + 1), (f"p{PAGE_ROWS + 1:04d}", NOON_US + 2)]
    assert notes == [("never-read", NOON_US + 3), *of_read]


async def test_open_runs_of_all_printers_in_order_of_their_names(store: Store) -> None:
    names = [f"printer-{nth:03d}" for nth in range(PAGE_ROWS + 3)]
    for name in reversed(names):
        await store.observe(name, [], read(1000, name))
    runs = [(name, run.fact.printer) async for name, run in store.open_runs()]
    assert runs == [(name, name) for name in names]


async def test_the_check_value_of_a_key_is_kept_and_replaced(store: Store) -> None:
    assert await store.key_check("badge") is None
    for value in ("one", "another"):
        await store.keep_key_check("badge", value)
        assert await store.key_check("badge") == value
    assert await store.key_check("other") is None
