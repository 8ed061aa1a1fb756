"""A proof beside a running daemon: its test pages are noted through the daemon, and are no stray pages."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import SecretStr

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.proof_notes import ProofNotes
from pagereeve.domain.facts.facts import PrinterNoted
from pagereeve.domain.ledger import MAINTENANCE, is_house
from pagereeve.feeds.local.peer import this_user
from pagereeve.feeds.local.socket_file import SOCKET_NAME
from pagereeve.proof.plan import Noted
from pagereeve.proof.results import Stage
from pagereeve.proof.stages.printing import with_note
from pagereeve.queries.proven import proven_of
from pagereeve.settings import Duration, PrinterSettings
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.installation import COMMUNITY, an_installation, stage_of

pytestmark = pytest.mark.alone


async def test_pages_of_a_proof_beside_the_daemon_are_noted_and_no_stray_pages(tmp_path: Path) -> None:
    async with an_installation() as here:
        target = here.plan.target
        entry = PrinterSettings(name=target.printer, host=target.host, port=target.port, community=SecretStr(COMMUNITY))
        settings = hasty_settings(tmp_path, [entry])
        # The simulated gateway and the daemon share a loop with the proof: a busy machine answers late.
        patient = settings.watch.model_copy(update={"read_timeout": Duration.of("10s")})
        settings = settings.model_copy(update={"watch": patient})
        async with App(settings, first_reads_spread_s=0.1) as app, Outside(app) as outside:
            await outside.first_reading(target.printer)
            notes = ProofNotes(tmp_path / SOCKET_NAME, SystemClock())
            proof = await here.prove(language="postscript", notes=notes)
            assert proof.passed
            assert "noted with the daemon as test pages" in stage_of(proof, "pages").tried
            printed = sum(job.counted for job in proof.jobs)

            async def booked() -> dict[str, int] | None:
                received: dict[str, int] = {}
                async for posting in app.store.postings(0, 2**62):
                    for account, pages in posting.legs:
                        if is_house(account) and posting.channel == "total":
                            received[account] = received.get(account, 0) + pages
                return received if sum(received.values()) >= printed else None

            assert await until(booked, "the test pages' postings") == {MAINTENANCE: printed}
            assert [one.kind for one in await app.store.findings(only_open=False)] == []
            facts = [one.fact async for one in app.store.facts(target.printer)]
            said = [one for one in facts if isinstance(one, PrinterNoted)]
            assert {(one.note, one.by) for one in said} == {("test-pages", this_user().name)}
            assert len(said) == len(proof.jobs)
            before_us = SystemClock().now_us()
            assert await notes.proven(target.printer) == Noted()
            proven_us = await proven_of(app.store)
            assert list(proven_us) == [target.printer]
            assert proven_us[target.printer] >= before_us
            assert [one.kind for one in await app.store.findings(only_open=False)] == []


async def test_without_a_daemon_the_proof_says_so_and_goes_on(tmp_path: Path) -> None:
    noted = await ProofNotes(tmp_path / SOCKET_NAME, SystemClock()).test_pages("north-1")
    assert not noted.refused
    assert f"no daemon runs at {tmp_path / SOCKET_NAME}" in noted.why_not
    proven = await ProofNotes(tmp_path / SOCKET_NAME, SystemClock()).proven("north-1")
    assert "noted nowhere that the proof passed" in proven.why_not
    passed = Stage("pages", "passed", "3 test jobs", "it counts sides")
    assert with_note(passed, noted) == replace(passed, tried=f"3 test jobs; {noted.why_not}")


def test_a_daemon_that_refuses_the_note_is_a_warning_and_changes_no_failure() -> None:
    refused = Noted("you may not connect", refused=True)
    passed = Stage("pages", "passed", "3 test jobs", "it counts sides")
    failed = replace(passed, outcome="failed", advice="Look at the paper.")
    assert with_note(passed, refused) == replace(passed, outcome="warned", advice=refused.why_not)
    assert with_note(failed, refused).outcome == "failed"
    assert with_note(failed, refused).advice == "Look at the paper."
    assert with_note(passed, None) == passed
