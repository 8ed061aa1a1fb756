"""What jobs bound is the count that may be the releases': without other functions, and without noted work."""

from __future__ import annotations

from collections.abc import Mapping

from pagereeve.domain.facts.jobs import JobState
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.ledger import Verdict
from tests.unit.domain.story import Story, accounts, brackets, charge, finding, impressions, kinds

TICKETS = {"A": 12, "B": 20, "C": 10}
COPYING = 8


def played(
    made: Mapping[str, int],
    before: Mapping[str, int],
    moved: Mapping[str, int],
    *,
    noted_at: int | None = None,
    others: tuple[int, int | None] = (0, None),
) -> Story:
    """Three releases one after the other while the meter never rests: 12, 20 and 10 pages asked for.

    The counters stand at ``before``, and have ``moved`` when the last job is over; ``others`` is what a further job
    made, and its kind of work. ``noted_at``: a technician begins when the total has moved so far.
    """

    def at(*steps: int) -> dict[str, Count]:
        return impressions(**{name: value + step for (name, value), step in zip(before.items(), steps, strict=False)})

    story = Story()
    story.reading(-0.5, counts=at(*(0 for _ in before)))
    for nth, ((name, pages), counted) in enumerate(zip(TICKETS.items(), made.values(), strict=True)):
        story.release(4 * nth, name, pages=pages, printer_job=41 + nth)
        story.ended(4 * nth + 3, name)
        story.reading(4 * nth + 3.5, counts=at(*(nth + 1 for _ in before)), state="printing")
        begun, over_s = (4 * nth + 0.5, 4 * nth + 3.6), 14 + nth / 2
        story.job(4 * nth + 3.5, 41 + nth, "processing", 1, began=begun)
        state: JobState = "completed" if counted >= pages else "cancelled"
        story.job(over_s, 41 + nth, state, counted, began=begun, ended=(13, over_s + 0.1))
    if noted_at is not None:
        story.reading(15.8, counts=at(noted_at), state="printing")
        story.noted(16, "maintenance-begun")
    if others[0]:
        story.job(19, 44, "completed", others[0], began=(16, 17), ended=(18, 19.1), service=others[1])
    for second in range(20, 41, 5):
        story.reading(second, counts=at(*moved.values()))
    return story


def charged(story: Story) -> dict[str, tuple[int, int, str]]:
    rows = {name: charge(story.ledger(), name) for name in TICKETS}
    return {name: (one.charged, one.unproven, str(one.verdict)) for name, one in rows.items()}


SHORT = {"A": 12, "B": 7, "C": 10}
NOBODY_ELSE = {"A": (12, 0, "agrees"), "B": (7, 2, "shortfall"), "C": (10, 0, "agrees")}


def test_copies_counted_apart_are_not_slack_of_the_jobs() -> None:
    counts = {"total": 100, "copies": 40}
    story = played(SHORT, counts, {"total": 36, "copies": 5})
    assert charged(story) == NOBODY_ELSE
    ledger = story.ledger()
    assert (accounts(ledger)["house:other-function"], accounts(ledger)["house:unattributed"]) == (5, 2)
    assert [one.release for one in finding(ledger, "shortfall").releases] == ["B"]


def test_a_copy_job_is_no_pages_of_a_count_without_copies() -> None:
    story = played(SHORT, {"total": 100, "copies": 40}, {"total": 36, "copies": 5}, others=(5, COPYING))
    assert charged(story) == NOBODY_ELSE
    assert "witnesses-disagree" not in kinds(story.ledger())


LONG = {"A": 12, "B": 25, "C": 10}
TECHNICIAN = (30, None)


def test_a_technicians_job_contradicts_neither_the_meter_nor_its_note() -> None:
    story = played(LONG, {"total": 100}, {"total": 77}, noted_at=47, others=TECHNICIAN)
    assert charged(story) == {"A": (12, 0, "agrees"), "B": (20, 0, "surplus"), "C": (10, 0, "agrees")}
    ledger = story.ledger()
    assert (accounts(ledger)["house:maintenance"], accounts(ledger)["house:unattributed"]) == (30, 5)
    assert kinds(ledger) == ["surplus"]
    assert [one.release for one in finding(ledger, "surplus").releases] == ["B"]


def test_where_the_releases_jobs_made_pages_that_a_note_says_are_somebody_elses_nothing_follows() -> None:
    story = played(LONG, {"total": 100}, {"total": 77}, noted_at=46)
    ledger = story.ledger()
    (joint,) = brackets(ledger)
    assert joint.reasons.count("share-by-jobs") == 0
    assert {one.verdict for one in ledger.charges} == {Verdict.SURPLUS}
    assert kinds(ledger) == ["surplus"]
