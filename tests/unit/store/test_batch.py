"""A group of requests before it is stored: what is new, known or another claim, and whose notices meet in it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from pagereeve.domain.facts.facts import Fact, Origin, PrinterNoted, ReleaseEnded, ReleaseStarted
from pagereeve.domain.projection.projector import rebuild
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.records.batch import Batch
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.segment_records import segment_rows, segments_of
from tests.unit.domain.story import PRINTER, Story, printed
from tests.unit.engine.virtual import passing

SOURCE = "urn:invented:server"


def started(event: str = "e-start", release: str = "r", owner: str = "anise", at_us: int = 100) -> ReleaseStarted:
    return ReleaseStarted("p", Origin(SOURCE, event, at_us, at_us, at_us), release, "j", owner)


def ended(event: str = "e-end", release: str = "r", printer: str = "") -> ReleaseEnded:
    return ReleaseEnded(printer, Origin(SOURCE, event, 200, 200, 200), release, "completed")


def stored(*facts: Fact) -> MemoryJournal:
    journal = MemoryJournal()

    async def store() -> None:
        for fact in facts:
            await journal.append(fact)

    passing(store())
    return journal


def test_a_start_and_an_end_of_one_group_see_one_another() -> None:
    """Whichever comes last: else the end would wait under no printer for ever."""
    for first, last in ((started(), ended()), (ended(), started())):
        batch = Batch(MemoryJournal())
        assert batch.append(file(first)).notices == ()
        assert batch.append(file(last)).notices == (first,)
        assert batch.append(file(started("other", "another"))).notices == ()


def test_notices_that_are_stored_already_come_before_those_of_the_group() -> None:
    batch = Batch(stored(started()))
    assert batch.append(file(started("again"))).notices == (started(),)
    assert batch.append(file(ended())).notices == (started(), started("again"))
    # An end that knows its printer asks for nobody.
    assert batch.append(file(ended("routed", printer="p"))).notices == ()


def test_what_came_before_is_a_duplicate_in_the_group_and_in_the_journal() -> None:
    for batch in (Batch(MemoryJournal()), Batch(stored(started()))):
        first = batch.append(file(started()))
        again = batch.append(file(replace(started(), origin=replace(started().origin, received_us=999))))
        assert (again.outcome, again.seq) == ("duplicate", first.seq)
        assert batch.duplicates == (1 if first.outcome == "stored" else 2)
        assert len(batch.facts) == (1 if first.outcome == "stored" else 0)


def test_another_claim_under_a_known_name_is_kept_aside_once() -> None:
    for batch in (Batch(MemoryJournal()), Batch(stored(started()))):
        batch.append(file(started()))
        facts = len(batch.facts)
        other = batch.append(file(started(owner="birch")))
        again = batch.append(file(started(owner="birch")))
        third = batch.append(file(started(owner="cassia")))
        assert [one.outcome for one in (other, again, third)] == ["conflict"] * 3
        assert other.seq == again.seq != third.seq
        assert len(batch.facts) - facts == len(batch.kept_aside) == 2
        # A claim that is kept aside is no notice of its release.
        notices = batch.append(file(ended())).notices
        assert notices == (started(),)


def test_facts_are_numbered_printer_by_printer_on_from_the_journal() -> None:
    def noted(printer: str, nth: int) -> PrinterNoted:
        return PrinterNoted(printer, Origin("urn:desk", f"{printer}-{nth}", nth, nth), "moved", "")

    batch = Batch(stored(noted("p", 1), noted("p", 2), noted("q", 1)))
    seqs = [batch.append(file(noted(*one))).seq for one in (("p", 3), ("q", 2), ("p", 4), ("new", 1), ("q", 3))]
    assert seqs == [3, 2, 4, 1, 3]


def rows_by_table(columns: Any) -> dict[str, list[Any]]:
    return {name: [SimpleNamespace(**row) for row in rows] for name, rows in columns.items()}


def test_segments_come_back_from_their_rows_as_they_were() -> None:
    story = Story()
    for nth in range(4):
        printed(story, 1000 * nth, 100 + 6 * nth, 105 + 6 * nth, pages=4)
        story.rest(1000 * nth + 100, 1000 * nth + 400, 106 + 6 * nth, every=50)
    segments = rebuild(PRINTER, story.facts, story.current)
    assert {one.resume_point is None for one in segments} == {True, False}
    assert any(one.findings for one in segments)
    rows = segment_rows(segments)
    assert segments_of(rows_by_table(rows)) == segments
    texts = [row["resume_point"] for row in rows["row_segment"]]
    assert [text is None for text in texts] == [one.resume_point is None for one in segments]
    assert all(text is None or isinstance(text, str) for text in texts)
