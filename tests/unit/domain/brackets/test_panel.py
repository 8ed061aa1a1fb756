"""A printer whose panel people read: worked values."""

from __future__ import annotations

from pagereeve.domain.brackets.panel import panel_plateaus
from pagereeve.domain.facts.codec import fact_bytes, from_json, to_json
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.projection.projector import replay
from tests.histories import PRINTER, SIMPLE, at, ended, policy, reading, started
from tests.noted_readings import noted, taken_back

HOUR_S = 3_600
PANEL = policy(value=Policy(panel_unit=Unit.IMPRESSIONS))


def release(name: str, seconds: float, owner: str = "anise") -> list[Fact]:
    return [started(name, seconds, owner, SIMPLE), ended(name, seconds + 6)]


def test_releases_between_two_figures_share_a_wide_bracket() -> None:
    facts = [
        PANEL,
        noted(PRINTER, "n-1", at(-HOUR_S), 1_000),
        *release("r-1", 0),
        *release("r-2", 600, "basil"),
        noted(PRINTER, "n-2", at(90 * 24 * HOUR_S), 1_010),
    ]
    ledger = replay(PRINTER, facts)
    (bracket,) = ledger.stretches
    assert (bracket.counted, bracket.grade, bracket.verdict) == (10, Grade.WIDE, Verdict.AGREES)
    assert [(one.owner, one.charged) for one in ledger.charges] == [("anise", 5), ("basil", 5)]
    assert all("read-from-panel" in one.reasons for one in ledger.charges)
    assert ledger.findings == []


def test_a_figure_at_once_after_a_release_grades_no_better() -> None:
    facts = [PANEL, noted(PRINTER, "n-1", at(-1), 1_000), *release("r-1", 0), noted(PRINTER, "n-2", at(20), 1_005)]
    (charge,) = replay(PRINTER, facts).charges
    assert (charge.charged, charge.grade, charge.verdict) == (5, Grade.WIDE, Verdict.AGREES)


def test_a_figure_while_a_release_prints_is_no_cut() -> None:
    facts = [
        PANEL,
        noted(PRINTER, "n-1", at(-1), 1_000),
        *release("r-1", 0),
        noted(PRINTER, "n-2", at(8), 1_003),
        noted(PRINTER, "n-3", at(HOUR_S), 1_005),
    ]
    (bracket,) = replay(PRINTER, facts).stretches
    assert (bracket.before, bracket.after) == (1_000, 1_005)


def test_releases_after_the_last_figure_wait_without_a_finding() -> None:
    ledger = replay(PRINTER, [PANEL, noted(PRINTER, "n-1", at(-1), 1_000), *release("r-1", 0), *release("r-2", 10**7)])
    assert [(one.verdict, one.reasons) for one in ledger.charges] == [(None, ("window-open",))] * 2
    assert ledger.findings == []


def test_one_odd_figure_is_a_glitch_and_two_are_a_fact() -> None:
    first: list[Fact] = [PANEL, noted(PRINTER, "n-1", at(0), 1_000), noted(PRINTER, "n-2", at(HOUR_S), 700)]
    glitch = replay(PRINTER, [*first, noted(PRINTER, "n-3", at(2 * HOUR_S), 1_004)])
    assert [(one.before, one.after) for one in glitch.stretches] == [(1_000, 1_004)]
    fact = replay(PRINTER, [*first, noted(PRINTER, "n-3", at(2 * HOUR_S), 704)])
    assert [one.kind for one in fact.findings if one.severity == "critical"] == ["meter-went-back"]
    assert [(one.before, one.after) for one in fact.stretches] == [(700, 704)]


def test_what_was_taken_back_counts_no_more() -> None:
    wrong = noted(PRINTER, "n-2", at(HOUR_S), 1_400)
    facts: list[Fact] = [
        PANEL,
        noted(PRINTER, "n-1", at(0), 1_000),
        wrong,
        noted(PRINTER, "n-3", at(2 * HOUR_S), 1_500),
    ]
    assert len(replay(PRINTER, facts).stretches) == 2
    assert [one.counted for one in replay(PRINTER, [*facts, taken_back("v-1", wrong)]).stretches] == [500]


def test_parts_count_where_they_were_read_with_the_total() -> None:
    rules = Rules.of([PANEL])
    colour, alone = noted(PRINTER, "n-2", at(0), 40, "colour"), noted(PRINTER, "n-3", at(60), 41, "colour")
    (plateau,) = panel_plateaus([noted(PRINTER, "n-1", at(0), 1_000), colour, alone], rules)
    assert plateau.sight.channels == ("colour", "total")
    count = plateau.sight.count("total")
    assert count is not None
    assert (count.unit, count.grade, count.modulus) == (Unit.IMPRESSIONS, UnitGrade.SAID, 0)
    assert panel_plateaus([noted(PRINTER, "n-1", at(0), 1_000)], Rules.of([policy()])) == []


def test_a_printer_that_gets_a_meter_begins_another_run() -> None:
    facts: list[Fact] = [
        PANEL,
        noted(PRINTER, "n-1", at(0), 1_000),
        noted(PRINTER, "n-2", at(HOUR_S), 1_010),
        policy(2 * HOUR_S),
        noted(PRINTER, "n-3", at(3 * HOUR_S), 9_999),
        reading(4 * HOUR_S, 4 * HOUR_S + 60, 1_030, count=4),
        reading(5 * HOUR_S, 5 * HOUR_S + 60, 1_031, count=4),
    ]
    ledger = replay(PRINTER, facts)
    assert next((one.before, one.after) for one in ledger.stretches) == (1_000, 1_010)
    assert (1_030, 1_031) in [(one.before, one.after) for one in ledger.stretches]
    assert not [one for one in ledger.stretches if 9_999 in {one.before, one.after}]


def test_a_policy_of_before_has_the_same_bytes() -> None:
    assert b"panel" not in fact_bytes(policy())
    assert from_json(to_json(PANEL)) == PANEL
