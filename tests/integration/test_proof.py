"""The installation proof against simulated printers, one for each way an installation can be wrong."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import pytest

from pagereeve.domain.facts.reading import Unit
from pagereeve.proof.plan import Language
from pagereeve.simulator.site.gateway import GATEWAY_OBJECT_ID
from tests.integration.foreign import free_port
from tests.integration.installation import OldAgent, an_installation, outcomes, stage_of

PRINTED: Language = "postscript"


async def test_a_good_installation_passes_without_a_sheet() -> None:
    async with an_installation() as here:
        proof = await here.prove(panel=1000)
        assert proof.passed, proof
        assert outcomes(proof) == dict.fromkeys(
            ("name", "ports", "answer", "identity", "channels", "second-reader", "panel", "quiet"), "passed"
        ) | {"pages": "not-tried"}
        assert here.engine.truth == []
        assert proof.sheets_most == 0
        assert proof.verdict == "passed, but for what was not tried: pages"
        assert (proof.calibration.serial, proof.calibration.version) == ("SIM-4711", "2c")
        assert proof.calibration.unit is None


async def test_a_name_without_an_address_ends_the_proof_there() -> None:
    async with an_installation() as here:
        proof = await here.prove_as(host="printer.invalid")
        assert stage_of(proof, "name").outcome == "failed"
        assert "correct the host" in stage_of(proof, "name").advice
        assert set(outcomes(proof).values()) == {"failed", "not-tried"}


async def test_a_print_port_that_is_not_forwarded_is_told_and_the_meter_is_proven_all_the_same() -> None:
    async with an_installation() as here:
        proof = await here.prove(print_port=free_port(), language=PRINTED)
        assert stage_of(proof, "ports").outcome == "failed"
        assert "set up the gateway's forward" in stage_of(proof, "ports").advice
        assert stage_of(proof, "quiet").outcome == "passed"
        assert "not printed, since ports failed" in stage_of(proof, "pages").came
        assert here.engine.truth == []


async def test_a_forward_that_is_missing_lets_the_gateway_answer_for_itself() -> None:
    # openwrt/packages#7980: the gateway answers for itself
    async with an_installation() as here:
        here.gateway.drop_snmp_forward("north-1")
        proof = await here.prove()
        identity = stage_of(proof, "identity")
        assert identity.outcome == "failed"
        assert ".".join(map(str, GATEWAY_OBJECT_ID)) in identity.came
        assert "box in the middle answers for itself" in identity.advice
        assert outcomes(proof)["channels"] == "not-tried"


async def test_a_wrong_community_is_told_from_a_host_that_is_off() -> None:
    # home-assistant/home-assistant.io#41563: SNMP that is turned off is silent, as a sleeper is
    async with an_installation() as here:
        answer = stage_of(await here.prove_as(community="wrong-word"), "answer")
        assert answer.outcome == "failed"
        assert "SNMP stays silent: switch SNMP on in the printer, check the community" in answer.advice
        assert "wrong-word" not in repr(answer)
        here.gateway.snmp_down("north-1")
        off = stage_of(await here.prove(print_port=None), "answer")
        assert "Nothing of that host answers" in off.advice


async def test_a_udp_port_that_nobody_has_is_told() -> None:
    async with an_installation() as here:
        answer = stage_of(await here.prove_as(port=free_port()), "answer")
        assert answer.outcome == "failed"
        assert "Nothing listens at that UDP port" in answer.advice


async def test_an_agent_of_another_version_is_found_and_named() -> None:
    # Tylan/check_snmp_printer#1: version 1 only
    async with an_installation(OldAgent) as here:
        proof = await here.prove()
        answer = stage_of(proof, "answer")
        assert answer.outcome == "warned"
        assert answer.advice == 'set version = "1" in the printer\'s entry'
        assert proof.calibration.version == "1"
        assert stage_of(proof, "second-reader").outcome == "passed"


@pytest.mark.parametrize("member", [{"serial": "SIM-0815"}, {"object_id": "1.3.6.1.4.1.32473.99"}])
async def test_another_printer_behind_the_port_is_a_wrong_device(member: dict[str, str]) -> None:
    async with an_installation() as here:
        identity = stage_of(await here.prove_as(**member), "identity")
        assert identity.outcome == "failed"
        assert next(iter(member.values())) in identity.came
        assert "Another printer is behind this port" in identity.advice


async def test_a_meter_in_hours_can_not_be_used_unless_pages_prove_otherwise() -> None:
    async with an_installation(unit="hours") as here:
        proof = await here.prove()
        channels = stage_of(proof, "channels")
        assert channels.outcome == "failed"
        assert "hours(11)" in channels.came
        assert "--print" in channels.advice
        assert not proof.passed
        printed = await here.prove(language=PRINTED)
        assert "the meter did not move" in stage_of(printed, "pages").came


async def test_a_panel_that_shows_another_figure_fails_with_both() -> None:
    # fusioninventory/fusioninventory-for-glpi#1626: typed 183, read 137
    async with an_installation(start_count=137) as here:
        panel = stage_of(await here.prove(panel=183), "panel")
        assert (panel.outcome, panel.came) == ("failed", "panel 183, read 137")


async def test_a_counter_that_moves_while_nobody_prints_is_not_quiet_and_no_paper_is_used() -> None:
    async with an_installation(impressions_per_minute=600) as here:
        here.engine.copy(500, here.engine.lives[0].since_us + 1)
        await asyncio.sleep(0.3)
        proof = await here.prove(language=PRINTED)
        quiet = stage_of(proof, "quiet")
        assert quiet.outcome == "failed"
        assert "became" in quiet.came
        assert "not printed, since quiet failed" in stage_of(proof, "pages").came
        assert {mark.cause for mark in here.engine.truth} == {"copy"}


COUNTS = ("one-sided, 2 pages: {}", "two-sided, 3 pages: {}", "2 copies of 1 page: {}")


@pytest.mark.parametrize(
    ("language", "spec", "counts", "unit", "blank_backs", "separators"),
    [
        ("postscript", {}, (2, 3, 2), Unit.IMPRESSIONS, "not-counted", 0),
        ("pcl", {"counts_blank_backs": True}, (2, 4, 2), Unit.IMPRESSIONS, "counted", 0),
        ("pjl", {"counts_blank_backs": True}, (2, 4, 2), Unit.IMPRESSIONS, "counted", 0),
        ("pwg", {"unit": "sheets"}, (2, 2, 2), Unit.SHEETS, "unknown", 0),
        ("postscript", {"banner_sheets": 1}, (3, 4, 3), Unit.IMPRESSIONS, "not-counted", 1),
        ("pcl", {"banner_sheets": 1, "unit": "sheets"}, (3, 3, 3), Unit.SHEETS, "unknown", 1),
    ],
)
async def test_pages_prove_what_the_meter_counts(
    language: Language,
    spec: dict[str, Any],
    counts: tuple[int, int, int],
    unit: Unit,
    blank_backs: str,
    separators: int,
) -> None:
    async with an_installation(**spec) as here:
        proof = await here.prove(language=language, sheets_seen=2)
        pages = stage_of(proof, "pages")
        assert pages.outcome == "passed", pages
        assert tuple(job.counted for job in proof.jobs) == counts
        found = proof.calibration
        assert (found.unit, found.blank_backs, found.separator_sheets) == (unit, blank_backs, separators)
        assert proof.sheets_most == 7
        assert found.settle_s == 5
        assert all(job.rested and job.first_move_s is not None for job in proof.jobs)


async def test_plain_text_tries_what_it_can_and_says_what_it_left_out() -> None:
    async with an_installation() as here:
        proof = await here.prove(language="text")
        assert [job.counted for job in proof.jobs] == [2]
        assert "plain text can't ask for two-sided" in stage_of(proof, "pages").tried
        assert proof.sheets_most == 2
        assert proof.calibration.unit is None


async def test_a_counter_that_lags_is_measured() -> None:
    async with an_installation(lag_us=800_000) as here:
        proof = await here.prove(language=PRINTED, sheets_seen=2)
        assert all(job.first_move_s is not None and job.first_move_s > 0.7 for job in proof.jobs)
        assert stage_of(proof, "pages").outcome == "passed"


async def test_a_counter_that_pauses_asks_for_a_longer_settle_time() -> None:
    async with an_installation(impressions_per_minute=20) as here:
        slow = replace(here.plan.patience, rest_s=3.5, job_s=20)
        proof = await here.prove(language="text", patience=slow)
        assert 2.8 < proof.jobs[0].longest_pause_s < 3.4
        assert proof.calibration.settle_s == 6


async def test_a_printer_that_ignores_two_sided_is_told_by_who_looks_at_the_paper() -> None:
    async with an_installation(ignores_sides=True, unit="sheets") as here:
        blind = await here.prove(language=PRINTED)
        assert "count the printed sheets" in stage_of(blind, "pages").advice
        assert stage_of(blind, "pages").outcome == "warned"
        assert (blind.calibration.unit, blind.calibration.blank_backs) == (None, "unknown")
        seen = await here.prove(language=PRINTED, sheets_seen=3)
        pages = stage_of(seen, "pages")
        assert pages.outcome == "warned"
        assert "two-sided is ignored" in pages.advice
        assert seen.calibration.unit is None
        assert seen.calibration.blank_backs == "unknown"


async def test_copies_that_are_ignored_are_told() -> None:
    async with an_installation(ignores_copies=True) as here:
        pages = stage_of(await here.prove(language=PRINTED), "pages")
        assert pages.outcome == "warned"
        assert "copies are ignored" in pages.advice


async def test_a_printer_out_of_paper_never_comes_to_rest_and_nothing_is_concluded() -> None:
    async with an_installation() as here:
        here.engine.paper_out(here.engine.lives[0].since_us + 1, after_sheets=0)
        proof = await here.prove(language=PRINTED)
        pages = stage_of(proof, "pages")
        assert pages.outcome == "failed"
        assert "the meter did not move: were the pages printed" in pages.came
        assert len(proof.jobs) == 1
        assert proof.calibration.unit is None
