"""What happens at a college, and what the daemon must make of it."""

from __future__ import annotations

import asyncio
from pathlib import Path

import httpx2

from pagereeve.app.questions.forwarding import SILENT_S
from pagereeve.domain.facts.facts import BadgePresented, ReleaseStarted
from pagereeve.domain.ledger import Grade, Verdict
from tests.acceptance.timeline import a_day
from tests.telemetry_stub import GOES

PRINTER, GATEWAY = "library-upper", "library"


async def test_a_badge_lets_a_job_go_and_its_pages_are_bracketed(tmp_path: Path) -> None:
    async with a_day(tmp_path) as day:
        job = day.job("user-anise", PRINTER, 5)
        day.badge("user-anise", GATEWAY)
        charge = await day.charge(job)
        assert (charge.counted, charge.charged, charge.verdict) == (5, 5, Verdict.AGREES)
        assert charge.grade is Grade.TIGHT
        facts = [stored.fact async for stored in day.app.store.facts(PRINTER)]
        (badge,) = [fact for fact in facts if isinstance(fact, BadgePresented)]
        (started,) = [fact for fact in facts if isinstance(fact, ReleaseStarted)]
        assert badge.badge == started.badge != ""
        await day.holds()


async def test_releases_that_overlap_share_a_bracket_or_are_told_apart_and_sum_to_the_count(tmp_path: Path) -> None:
    async with a_day(tmp_path) as day:
        first = day.job("user-anise", PRINTER, 4)
        second = day.job("user-birch", PRINTER, 7)
        day.badge("user-anise", GATEWAY)
        await asyncio.sleep(0.2)
        day.badge("user-birch", GATEWAY)
        charges = [await day.charge(first), await day.charge(second)]
        assert sum(charge.counted or 0 for charge in charges) == 11
        assert all(charge.verdict is Verdict.AGREES for charge in charges)
        assert {charge.grade for charge in charges} <= {Grade.SHARED, Grade.MATCHED, Grade.INFERRED}
        await day.holds()


async def test_a_stop_between_before_and_after_is_resumed_and_closed(tmp_path: Path) -> None:
    """tobez/snmp-query-engine#17: what a good stop does."""
    async with a_day(tmp_path) as day:
        job = day.job("user-anise", PRINTER, 6)
        day.badge("user-anise", GATEWAY)

        async def started() -> bool | None:
            return bool(await day.app.store.charges_of(f"{job.name}.1")) or None

        await day.within(started, "the open charge")
        assert (await day.app.store.charges_of(f"{job.name}.1"))[0].closed_us is None
        await day.restart()
        charge = await day.charge(job)
        assert (charge.counted, charge.charged, charge.verdict) == (6, 6, Verdict.AGREES)
        await day.holds()


async def test_a_power_cut_inside_a_bracket_leaves_it_broken_and_charges_nobody(tmp_path: Path) -> None:
    """HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: up to nine pages are lost at a power cut."""
    async with a_day(tmp_path) as day:
        job = day.job("user-anise", "art-studio", 40)
        start_count = day.college.printer("art-studio").place.spec.start_count
        day.badge("user-anise", "art")

        async def between_two_savings() -> bool | None:
            """The count is saved at its tens: cut after a reading from behind one, it is seen to fall."""
            good = day.app.registry.watchers["art-studio"].last_good
            count = None if good is None else good.sight.count("total")
            marked = start_count + day.college.truth()["art-studio"].marked
            seen = 0 if count is None else count.value
            return (seen > start_count + 3 and seen % 10 > 2 and seen // 10 == marked // 10) or None

        await day.within(between_two_savings, "pages on the meter", every_s=0.01)
        day.college.power_cut("art-studio", 1.0)
        charge = await day.charge(job)
        assert (charge.verdict, charge.charged) == (Verdict.UNPROVEN, 0)
        assert charge.grade is Grade.BROKEN
        assert charge.unproven == charge.released == 40
        await day.finding("meter-went-back", "art-studio")
        await day.holds()


async def test_notices_held_back_by_an_outage_are_placed_where_they_belong(tmp_path: Path) -> None:
    """opslane/opslane#62: pages that were stray become the release's once its notice comes."""
    async with a_day(tmp_path) as day:
        day.college.outage(begins=True)
        job = day.job("user-anise", "registry", 4)
        day.badge("user-anise", "offices")
        await day.finding("stray-pages", "registry")
        day.college.outage(begins=False)
        charge = await day.charge(job)
        assert (charge.counted, charge.charged, charge.verdict) == (4, 4, Verdict.AGREES)
        assert [one for one in await day.app.store.findings(only_open=False) if one.kind == "stray-pages"] == []
        assert day.app.counters.rewinds >= 0
        await day.holds()


async def test_a_silent_meter_costs_the_others_nothing_and_the_count_is_there_when_it_is_back(tmp_path: Path) -> None:
    async with a_day(tmp_path) as day:
        # Two reads of three seconds go unanswered.
        day.college.silence("bursary", 12.0)
        silent = day.job("user-anise", "bursary", 3)
        well = day.job("user-birch", "admissions", 3)
        day.badge("user-anise", "offices")
        day.badge("user-birch", "offices")
        assert (await day.charge(well)).verdict is Verdict.AGREES
        assert (await day.charge(silent)).counted == 3
        await day.finding("meter-silent", "bursary")
        await day.holds()


async def test_the_web_endpoints_answer(tmp_path: Path) -> None:
    async with a_day(tmp_path) as day, httpx2.AsyncClient() as client:
        host, port = day.app.http_address
        for path in ("/healthz", "/readyz", "/metrics"):
            assert (await client.get(f"http://{host}:{port}{path}")).status_code == 200
        assert (await client.get(f"http://{host}:{port}/readyz")).json() == {
            "ready": True,
            "not_ready": {},
            "clock": GOES,
        }
        # The first question starts the query process, and waits for it.
        assert (await client.get(f"http://{host}:{port}/nowhere", timeout=SILENT_S)).status_code == 404
        assert (await client.get(f"http://{host}:{port}/readyz")).json() == {
            "ready": True,
            "not_ready": {},
            "clock": GOES,
        }
