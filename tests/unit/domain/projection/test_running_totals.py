"""A printer's sums, kept up to date: they are those of its rows, whatever was projected again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import RowSegment, account_kind, is_meter
from pagereeve.domain.projection.projector import PrinterProjector, Update, apply_update, rebuild
from pagereeve.domain.projection.running_totals import RunningTotals
from tests.findings import said
from tests.unit.domain.story import Story, printed


def summed(segments: dict[int, RowSegment]) -> tuple[dict[tuple[str, str], int], dict[str, int]]:
    """Pages and open findings of stored rows, added up anew."""
    pages: Counter[tuple[str, str]] = Counter()
    findings: Counter[str] = Counter()
    for segment in segments.values():
        for posting in segment.postings:
            for account, received in posting.legs:
                if not is_meter(account):
                    pages[posting.channel, account_kind(account)] += received
        findings.update(one.kind for one in segment.findings if one.state == "open")
    return {key: number for key, number in pages.items() if number}, {key: n for key, n in findings.items() if n}


def test_the_sums_follow_the_rows_step_by_step() -> None:
    story = Story()
    for nth in range(6):
        # Each second job has a page too many, which is a finding.
        printed(story, 1000 * nth, 100 + 5 * nth, 104 + nth % 2 + 5 * nth, pages=4)
        story.rest(1000 * nth + 100, 1000 * nth + 300, 105 + 5 * nth, every=50)
    projector = PrinterProjector(story.printer, story_rules(story), hold_back_us=0)
    totals, stored = RunningTotals(), dict[int, RowSegment]()
    for fact, current in story.steps:
        if fact is not None:
            projector.add(fact)
        projector.open_run(current)
        update = projector.advance()
        if update is not None:
            totals.add(update)
            apply_update(stored, update)
        pages = {key: number for key, number in totals.pages.items() if number}
        findings = {key: number for key, number in totals.open_findings.items() if number}
        assert (pages, findings) == summed(stored)
    assert len(stored) > 3
    assert totals.pages["total", "people"] == 24
    assert totals.open_findings["surplus"] == 3
    assert min(totals.pages.values()) >= 0


def story_rules(story: Story) -> Rules:
    return Rules.of(story.facts[:1])


def test_what_is_open_is_taken_off_before_it_is_added_again() -> None:
    totals = RunningTotals()
    story = Story()
    printed(story, 0, 100, 106, pages=4)
    (segment,) = (one for one in rebuild(story.printer, story.facts, story.current) if one.resume_point is None)
    for _ in range(3):
        totals.add(Update(segment.anchor_us, (segment,)))
        assert dict(totals.pages) == {("total", "people"): 4, ("total", "surplus"): 2}
        assert dict(totals.open_findings) == {"surplus": 1}
    (finding,) = segment.findings
    over = replace(segment, findings=(replace(finding, state="closed", what=said("over")),))
    totals.add(Update(segment.anchor_us, (over,)))
    assert totals.open_findings["surplus"] == 0
    # Sealed, it stays when the next open segment is replaced.
    sealed = replace(segment, resume_point={})
    totals.add(Update(segment.anchor_us, (sealed,)))
    totals.add(Update(segment.anchor_us + 1, ()))
    assert (totals.pages["total", "people"], totals.open_findings["surplus"]) == (4, 1)


def test_what_the_meter_gave_is_no_receipt() -> None:
    totals = RunningTotals()
    totals.add_pages("total", "meter:p", -7)
    totals.add_pages("total", "person:anise", 5)
    totals.add_pages("total", "person:birch", 2)
    assert dict(totals.pages) == {("total", "people"): 7}
