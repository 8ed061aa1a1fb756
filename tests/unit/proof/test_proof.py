"""What follows from the counts of test jobs, and how a proof is told."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from html import unescape
from typing import Any

import pytest

from pagereeve.cli.prove import _gateway_hosts
from pagereeve.domain.facts.reading import Failure, SilenceReason, Unit
from pagereeve.ports.inspection import Inspection, NextStep, PrinterIdentity
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.deduction import deduce, settle_of
from pagereeve.proof.plan import Plan
from pagereeve.proof.report.html import page_of
from pagereeve.proof.report.settings_entry import fragment_of
from pagereeve.proof.report.summary import proofs_json, summary_line
from pagereeve.proof.report.terminal import proof_json, proof_text
from pagereeve.proof.results import Calibration, JobSeen, Proof, Stage
from pagereeve.proof.stages.metering import channels_stage
from pagereeve.proof.stages.reaching import identity_stage
from pagereeve.settings import PrinterSettings, Settings

ONE = JobSeen("one-sided, 2 pages", 2, 1, two_sided=False, counted=2, first_move_s=1.0, last_move_s=2.0)
TWO = JobSeen("two-sided, 3 pages", 3, 1, two_sided=True, counted=3)
COPIES = JobSeen("2 copies of 1 page", 1, 2, two_sided=False, counted=2)


def jobs(*counted: int) -> list[JobSeen]:
    return [replace(job, counted=count) for job, count in zip((ONE, TWO, COPIES), counted, strict=True)]


@pytest.mark.parametrize(
    ("counted", "sheets_seen", "unit", "blank_backs", "separators"),
    [
        # RFC 2707 section 2: an odd two-sided job counts 4 only if the blank back passes.
        ((2, 3, 2), 2, Unit.IMPRESSIONS, "not-counted", 0),
        ((2, 4, 2), 2, Unit.IMPRESSIONS, "counted", 0),
        ((2, 2, 2), None, Unit.SHEETS, "unknown", 0),
        # A banner sheet for each job, its back counted or not in the two-sided one.
        ((3, 4, 3), 2, Unit.IMPRESSIONS, "not-counted", 1),
        ((3, 6, 3), 2, Unit.IMPRESSIONS, "counted", 1),
        ((4, 4, 4), 2, Unit.SHEETS, "unknown", 2),
    ],
)
def test_counts_tell_units_backs_and_separators(
    counted: tuple[int, ...], sheets_seen: int | None, unit: Unit, blank_backs: str, separators: int
) -> None:
    found = deduce(jobs(*counted), sheets_seen)
    assert found.problem == ""
    assert (found.unit, found.blank_backs, found.separator_sheets) == (unit, blank_backs, separators)
    assert found.notes == ()


def test_what_counts_alone_can_not_tell_is_said() -> None:
    by_its_word = deduce(jobs(2, 3, 2), None, Unit.IMPRESSIONS)
    assert (by_its_word.unit, by_its_word.blank_backs) == (Unit.IMPRESSIONS, "unknown")
    assert "count the printed sheets" in by_its_word.notes[0]
    # By sheets, three can only mean that two-sided was ignored, or that the agent's word is wrong: neither is believed.
    for said in (Unit.SHEETS, None):
        assert deduce(jobs(2, 3, 2), None, said).unit is None
    assert deduce(jobs(2, 4, 2), None, Unit.SHEETS).unit is Unit.IMPRESSIONS
    ignored = deduce(jobs(2, 3, 2), sheets_seen=3)
    assert ignored.sides_ignored
    assert ignored.unit is None
    only_one = deduce([ONE])
    assert (only_one.unit, only_one.blank_backs) == (None, "unknown")
    assert "can't separate sides and sheets" in only_one.notes[0]


@pytest.mark.parametrize(
    ("seen", "problem"),
    [
        ([], "no job was printed"),
        (jobs(0, 0, 0), "did not move"),
        (jobs(2, 9, 2), "no known habit explains the counts (one-sided, 2 pages 2, two-sided, 3 pages 9"),
        ([replace(ONE, rested=False)], "did not come to rest"),
        (jobs(-90, 3, 2), "no known habit explains"),
        (
            [replace(ONE, before=1000), replace(TWO, before=1003)],
            "from 1002 to 1003 between 'one-sided, 2 pages' and 'two-sided, 3 pages': somebody else prints",
        ),
    ],
)
def test_what_fits_nothing_calibrates_nothing(seen: list[JobSeen], problem: str) -> None:
    found = deduce(seen)
    assert problem in found.problem
    assert (found.unit, found.settle_s) == (None, None)


def test_a_printer_that_does_not_as_it_is_told_calibrates_nothing() -> None:
    # A page of somebody else's in the first job looks like a banner sheet and ignored copies.
    for odd in (deduce(jobs(2, 2, 1)), deduce(jobs(3, 3, 2))):
        assert odd.copies_ignored
        assert (odd.unit, odd.separator_sheets, odd.blank_backs) == (None, None, "unknown")
        assert "copies are ignored" in odd.notes[0]


def test_the_settle_time_outlasts_every_pause_seen() -> None:
    assert settle_of([ONE]) == 5
    assert settle_of([replace(ONE, longest_pause_s=7.0), replace(TWO, longest_pause_s=2.0)]) == 12


PROOF = Proof(
    printer="north-1",
    place="192.0.2.10:1161",
    began_us=1_795_600_000_000_000,
    stages=(
        Stage("name", "passed", "the address of <b>", "192.0.2.10", 0.12),
        Stage("answer", "failed", "SNMP", "silence & <script>", 1.5, "check the <community>"),
        Stage("pages", "not-tried", "", "not tried: answer failed"),
    ),
    calibration=Calibration("2c", 'K"1\\', "1.3.6.1.4.1.32473.1", Unit.SHEETS, "counted", 1, 18),
    jobs=(ONE,),
    sheets_most=7,
)


STAGES_PASSED = (
    PROOF.stages[0],
    Stage("answer", "warned", "SNMP", "silence & <script>", 1.5, "check the <community>"),
    Stage("pages", "passed", "", "2 counted"),
)


def test_the_fragment_is_an_entry_that_the_settings_accept() -> None:
    kept: dict[str, str | int | bool] = {
        "name": "north-1",
        "host": "192.0.2.10",
        "port": 1161,
        "community_file": "secrets/north-1",
    }
    text = fragment_of(PROOF, kept)
    (entry,) = tomllib.loads(text)["printers"]
    printer = PrinterSettings(**entry)
    assert (printer.serial, printer.unit, printer.version) == ('K"1\\', "sheets", "2c")
    assert str(printer.policy.settle) == "18s"
    assert (printer.policy.blank_backs, printer.policy.separator_sheets) == ("counted", 1)


def test_the_entry_keeps_the_rules_that_it_has_and_never_shortens_the_settle_time() -> None:
    kept: dict[str, str | int | float | bool] = {"name": "n", "host": "h"}
    rules: dict[str, str | int | float | bool] = {
        "settle": "20s",
        "charging": "none",
        "tolerance_share": 0.01,
        "blank_backs": "not-counted",
    }
    (entry,) = tomllib.loads(fragment_of(PROOF, kept, rules, 20.0))["printers"]
    assert entry["policy"] == rules | {"blank_backs": "counted", "separator_sheets": 1}
    (longer,) = tomllib.loads(fragment_of(PROOF, kept, rules | {"settle": "12s"}, 12.0))["printers"]
    assert str(PrinterSettings(**longer).policy.settle) == "18s"


def test_a_proof_that_found_nothing_leaves_the_entry_as_it_is() -> None:
    text = fragment_of(replace(PROOF, calibration=Calibration()), {"name": "n", "host": "h"})
    assert text == '[[printers]]\nname = "n"\nhost = "h"\n'


def test_a_page_to_file_is_whole_and_everything_in_it_is_escaped() -> None:
    page = page_of([(replace(PROOF, stages=STAGES_PASSED), "x = <1>")], "0.1")
    assert page.startswith("<!DOCTYPE html>")
    assert page.count("<article>") == page.count("</article>") == 1
    for raw in ("<script", "<community", "<b>,", "x = <1>"):
        assert raw not in page
    for told in ("silence &amp; &lt;script&gt;", "at most 7 sheets", "Accepted by", "nothing about who took pages"):
        assert told in page


def test_a_failed_proof_has_no_sentence_and_no_entry_of_a_passed_one() -> None:
    page, text = unescape(page_of([(PROOF, "x = 1")], "0.1")), proof_text(PROOF, "x = 1")
    for shown in (page, text):
        assert "This proof failed. Do not charge by this printer's meter" in shown
        assert "The proof shows" not in shown
        assert "x = 1" not in shown
    assert "Accepted by" not in page
    good = replace(PROOF, stages=STAGES_PASSED)
    assert "x = 1" in proof_text(good, "x = 1")
    assert "The proof shows that the meter counts" in page_of([(good, "")], "0.1")


def test_a_proof_without_pages_does_not_say_that_the_meter_counts_them() -> None:
    read_only = replace(PROOF, stages=(PROOF.stages[0], Stage("pages", "not-tried", "", "asked for by --print alone")))
    page = unescape(page_of([(read_only, "")], "0.1"))
    assert read_only.passed
    assert "The proof shows" not in page
    assert "No page was printed: whether the meter counts this printer's pages is not proven." in page


def test_a_verdict_says_what_is_not_proven() -> None:
    warned = replace(PROOF, stages=(PROOF.stages[0], Stage("pages", "warned", "", "", 0.0, "count the printed sheets")))
    assert warned.passed
    assert warned.verdict == "passed, with reservations: pages"
    assert warned.proven == ["the host's name leads to an address"]
    assert warned.unproven == ["printed pages move the counter, and the step is known (with reservations)"]
    page = page_of([(PROOF, "")], "0.1")
    assert "SNMP requests are answered (failed)" in page.partition("Not proven")[2]


def gateway_plan(**target: Any) -> Plan:
    return Plan(MeterTarget("north-1", **target), gateway_hosts=frozenset({"192.0.2.10"}))


@pytest.mark.parametrize(
    ("host", "port", "outcome"),
    # openwrt/packages#7980: port 161 of the box's address may one day be the box's own.
    [("192.0.2.10", 161, "warned"), ("192.0.2.10", 1161, "passed"), ("192.0.2.11", 161, "passed")],
)
def test_port_161_of_a_gateway_is_warned_of(host: str, port: int, outcome: str) -> None:
    seen = Inspection(host, "2c", PrinterIdentity("S-1", "1.3.6.1.4.1.32473.1"), (), (), (), None, None)
    stage = identity_stage(gateway_plan(host=host, port=port), seen)
    assert stage.outcome == outcome
    assert ("forward another port" in stage.advice) == (outcome == "warned")


@pytest.mark.parametrize("step", [None, NextStep("Ask the printer's own port.")])
def test_a_meter_that_can_not_be_used_has_the_advice_for_its_kind_and_maker(step: NextStep | None) -> None:
    failure = Failure(1, 2, SilenceReason.NO_METER, "has no count", "192.0.2.11:161")
    seen = Inspection("h", "2c", PrinterIdentity(), (), (), (), None, failure, next_step=step)
    stage = channels_stage(gateway_plan(host="192.0.2.11"), seen)
    assert (stage.outcome, stage.came) == ("failed", "has no count")
    assert stage.advice == step.text if step is not None else "newer firmware" in stage.advice


def test_a_proof_as_text_and_json_tells_outcome_and_advice() -> None:
    text = proof_text(PROOF, "[[printers]]\n")
    assert "failed at answer: silence" in text
    assert "-> check the <community>" in text
    body = json.loads(json.dumps(proof_json(PROOF, "x")))
    assert body["passed"] is False
    assert [stage["outcome"] for stage in body["stages"]] == ["passed", "failed", "not-tried"]
    assert body["calibration"]["unit"] == "sheets"
    good = replace(PROOF, stages=PROOF.stages[:1])
    assert summary_line([good, PROOF]) == "2 printers: 1 passed, 0 failed, 1 could not be tried."
    broken = replace(PROOF, stages=(*PROOF.stages[:1], replace(PROOF.stages[1], name="channels")))
    shown = [(good, "g"), (PROOF, "p"), (broken, "b")]
    sums = json.loads(json.dumps(proofs_json(shown)))
    assert (sums["printers_asked"], sums["passed"], sums["failed"], sums["not_tried"]) == (3, 1, 1, 1)
    assert [one["standing"] for one in sums["proofs"]] == ["failed", "not-tried", "passed"]
    assert [one["entry"] for one in sums["proofs"]] == ["b", "p", "g"]
    page = page_of(shown, "1")
    assert page.index("3 printers: 1 passed, 1 failed, 1 could not be tried.") < page.index("Installation proof: ")
    assert page.count("<article>") == 4
    assert page_of(shown[:1], "1").count("<article>") == 1


def test_a_gateway_without_an_address_of_its_own_has_that_of_its_printers() -> None:
    settings = Settings.model_validate(
        {
            "gateways": [{"name": "known", "host": "192.0.2.10"}, {"name": "bare"}],
            "printers": [
                {"name": "a", "host": "192.0.2.20", "gateway": "bare"},
                {"name": "b", "host": "192.0.2.21", "gateway": "known"},
                {"name": "c", "host": "192.0.2.22"},
            ],
        }
    )
    found = [_gateway_hosts(settings, printer) for printer in settings.printers]
    assert found == [{"192.0.2.10", "192.0.2.20"}, {"192.0.2.10"}, {"192.0.2.10"}]
