"""A counter's unit, learnt from two-sided releases, in force by date, and contradicted by two."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.domain.facts.facts import PlateauRead, ShownBy, UnitLearned
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Unit, UnitGrade
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.domain.projection.unit_learning import unit_of, units_wanted
from tests.unit.domain.story import PRINTER, SERVER, Story, accounts, at_us, charge, finding, kinds

TWO = "two-sided-long-edge"
OBJECT = "1.3.6.1.2.1.43.10.2.1.4.1.1"
UNKNOWN = Count(0, Unit.UNKNOWN, object=OBJECT, grade=UnitGrade.ASSUMED)
SAID = Count(0, Unit.IMPRESSIONS, object=OBJECT)
SIDES, SHEETS = Unit.IMPRESSIONS, Unit.SHEETS


def day(story: Story, moves: list[int], count: Count = UNKNOWN, first: int = 0, **ticket: Any) -> None:
    """A release of four two-sided pages every 100 s; so much the meter moves for each."""
    asked: dict[str, Any] = {"pages": 4, "sides": TWO} | ticket
    current = story.current
    known = current.plateau.sight.count("total") if isinstance(current, PlateauRead) else None
    value = 1000 if known is None else known.value

    def shown() -> dict[str, Count]:
        return {"total": Count(value, count.unit, object=count.object, grade=count.grade)}

    for nth, moved in enumerate(moves, first):
        second = 100.0 * nth
        story.reading(second - 1, counts=shown())
        story.release(second, f"r{nth}", **asked)
        story.ended(second + 5, f"r{nth}")
        value += moved
        story.rest(second + 8, second + 60, None, counts=shown())


def view(story: Story) -> tuple[Projected, Rules]:
    projector = PrinterProjector(PRINTER, Rules.of(story.facts))
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    return projector.projected(), projector.rules


def wanted(story: Story, second: float) -> dict[str, UnitLearned]:
    seen, rules = view(story)
    memory = seen.units[-1][1] if seen.units else seen.before.units
    return {one.channel: one for one in units_wanted(memory, rules, at_us(second))}


def learnt(unit: Unit) -> tuple[UnitLearned, ...]:
    return (UnitLearned("total", OBJECT, unit, (ShownBy(SERVER, "r0"), ShownBy(SERVER, "r1"))),)


@pytest.mark.parametrize(
    ("moves", "unit"),
    [
        ([2], None),
        ([2, 2], SHEETS),
        ([4, 4], SIDES),
        # One odd answer is a glitch; and a count between the two fits neither.
        ([2, 4], None),
        ([2, 2, 4], None),
        ([3, 3, 3], None),
        ([2, 3, 2], SHEETS),
    ],
)
def test_two_releases_teach_it_and_none_may_contradict(moves: list[int], unit: Unit | None) -> None:
    story = Story()
    day(story, moves)
    story.ledger()
    assert {name: one.unit for name, one in wanted(story, 1000).items()} == ({} if unit is None else {"total": unit})


def test_the_fact_names_the_counter_and_the_releases() -> None:
    story = Story()
    day(story, [2, 2])
    assert tuple(wanted(story, 1000).values()) == learnt(SHEETS)


@pytest.mark.parametrize(
    "ticket",
    [
        {"pages": 3},
        {"sides": "one-sided"},
        {"sides": None},
        {"pages": None},
        # Two pages on a side: one sheet or one side.
        {"number_up": 4},
    ],
    ids=str,
)
def test_what_fits_either_unit_or_has_few_pages_teaches_nothing(ticket: dict[str, Any]) -> None:
    story = Story()
    day(story, [1, 1], **ticket)
    assert wanted(story, 1000) == {}


def test_a_shared_bracket_teaches_nothing() -> None:
    story = Story()
    for nth in range(3):
        second, value = 100.0 * nth, 1000 + 4 * nth
        story.reading(second - 1, counts={"total": Count(value, UNKNOWN.unit, object=OBJECT)})
        story.release(second, f"a{nth}", pages=4, sides=TWO)
        story.release(second + 1, f"b{nth}", pages=4, sides=TWO)
        story.ended(second + 5, f"a{nth}")
        story.ended(second + 5, f"b{nth}")
        story.rest(second + 8, second + 60, None, counts={"total": Count(value + 4, UNKNOWN.unit, object=OBJECT)})
    assert wanted(story, 1000) == {}


def test_what_was_learnt_is_in_force_from_its_date_on_and_changes_nothing_before() -> None:
    story = Story()
    day(story, [2, 2])
    before = story.ledger()
    assert charge(before, "r1").charged == 0
    story.learned(190, 10, units=learnt(SHEETS))
    day(story, [2, 4], first=2)
    ledger = story.ledger()
    assert [one for one in ledger.charges if one.release.release in {"r0", "r1"}] == before.charges
    exact, surplus = charge(ledger, "r2"), charge(ledger, "r3")
    assert (exact.unit, exact.released, exact.charged, exact.unproven) == (SHEETS, 2, 2, 0)
    assert (surplus.verdict, surplus.charged) == (Verdict.SURPLUS, 2)
    assert accounts(ledger) == {"house:unattributed": 4, "person:owner-r2": 2, "person:owner-r3": 2, "house:surplus": 2}
    assert "unit-changed" not in kinds(ledger)


def test_another_counter_of_the_same_printer_learns_for_itself() -> None:
    story = Story()
    story.learned(-1000, 10, units=learnt(SHEETS))
    other = Count(0, Unit.UNKNOWN, object=f"{OBJECT}.9", grade=UnitGrade.ASSUMED)
    day(story, [4], other)
    assert charge(story.ledger(), "r0").unit is Unit.UNKNOWN


def test_one_release_does_not_unlearn_it_and_two_do() -> None:
    story = Story()
    story.learned(-1000, 10, units=learnt(SHEETS))
    day(story, [2, 4])
    assert tuple(wanted(story, 1000).values()) == learnt(SHEETS)
    day(story, [4], first=2)
    (unlearnt,) = wanted(story, 1000).values()
    assert (unlearnt.unit, [one.release for one in unlearnt.releases]) == (Unit.UNKNOWN, ["r1", "r2"])
    # They contradicted it, and teach nothing besides: two more do.
    story.learned(290, 10, units=(unlearnt,))
    day(story, [4], first=3)
    assert tuple(wanted(story, 1000).values()) == (unlearnt,)
    day(story, [4], first=4)
    assert [one.unit for one in wanted(story, 1000).values()] == [SIDES]
    assert charge(story.ledger(), "r3").unit is Unit.UNKNOWN


def test_what_was_shown_outlives_the_readings() -> None:
    """The resume point remembers it: a printer that is rarely used learns too."""
    story = Story()
    day(story, [2])
    projector = PrinterProjector(PRINTER, Rules.of(story.facts), hold_back_us=0)
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    projector.advance()
    assert projector.resume_point is not None
    assert [one.unit for one in projector.resume_point.memory.units.shown] == [SHEETS]


@pytest.mark.parametrize(
    ("shown", "in_force", "unit"),
    [
        ([], None, None),
        ([SHEETS], None, None),
        ([SHEETS, SHEETS], None, SHEETS),
        ([SHEETS, SHEETS, SIDES], None, None),
        ([SIDES, SHEETS], SHEETS, SHEETS),
        ([SIDES, SHEETS, SIDES], SHEETS, SHEETS),
        ([SHEETS, SHEETS, SIDES, SIDES], SHEETS, Unit.UNKNOWN),
    ],
)
def test_the_rule_alone(shown: list[Unit], in_force: Unit | None, unit: Unit | None) -> None:
    assert unit_of(shown, in_force) is unit


def test_two_releases_contradict_the_agents_word_and_two_take_it_back() -> None:
    story = Story()
    day(story, [2], SAID)
    assert "unit-contradicted" not in kinds(story.ledger())
    day(story, [2], SAID, first=1)
    told = finding(story.ledger(), "unit-contradicted")
    assert (told.severity, told.state, [key.release for key in told.releases]) == ("warning", "open", ["r0", "r1"])
    assert dict(told.what.values) == {"channel": "total", "given": "impressions", "object": OBJECT, "unit": "sheets"}
    day(story, [4], SAID, first=2)
    assert finding(story.ledger(), "unit-contradicted").state == "open"
    day(story, [4], SAID, first=3)
    over = finding(story.ledger(), "unit-contradicted")
    assert (over.id, over.state) == (told.id, "closed")
    # A word is never unlearnt: that is a person's to correct.
    assert wanted(story, 1000) == {}


def test_one_release_contradicts_nothing() -> None:
    story = Story()
    day(story, [2, 4, 2, 4], SAID)
    assert "unit-contradicted" not in kinds(story.ledger())


def test_a_corrected_entry_ends_the_contradiction() -> None:
    story = Story()
    day(story, [2, 2], SAID)
    day(story, [2], Count(0, SHEETS, object=OBJECT, grade=UnitGrade.PROVEN), first=2)
    assert finding(story.ledger(), "unit-contradicted").state == "closed"


def test_an_assumed_unit_is_one_info_until_it_is_known() -> None:
    story = Story()
    day(story, [2, 2])
    told = finding(story.ledger(), "unit-assumed")
    assert (told.severity, told.state, told.since_us) == ("info", "open", at_us(-0.9))
    assert dict(told.what.values)["object"] == OBJECT
    assert kinds(story.ledger()) == ["unit-assumed"]
    story.learned(190, 10, units=learnt(SHEETS))
    day(story, [2], first=2)
    over = finding(story.ledger(), "unit-assumed")
    assert (over.id, over.state) == (told.id, "closed")
