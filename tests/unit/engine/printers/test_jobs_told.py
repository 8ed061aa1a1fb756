"""A printer that tells of its jobs: what it says is recorded with the readings, and the rows use it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.jobs import JobCounted, JobCounts, JobState
from pagereeve.domain.projection.projector import Ledger
from pagereeve.ports.jobs import JobRow, JobsLook
from pagereeve.ports.meter import MeterTarget
from pagereeve.queries.explain import explained
from pagereeve.reports.explain import explain_text
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World


@dataclass
class ToldJobs:
    """``jobs`` are the pages of each job, by number, and when it begins; half a second a page, 2 s to the first."""

    world: World
    jobs: dict[int, tuple[float, int]] = field(default_factory=dict)
    busy: list[bool] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    called: dict[int, str] = field(default_factory=dict)

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        self.names |= set(names)
        assert target.printer == "p"
        assert timeout_s > 0
        self.busy.append(busy)
        at_us, now_s = self.world.clock.now_us(), self.world.now_s
        rows = []
        for job, (begin_s, pages) in self.jobs.items():
            if now_s >= begin_s:
                made = max(0, min(pages, int((now_s - begin_s - 2) / 0.5) + 1))
                state: JobState = "completed" if made == pages else "processing"
                rows.append(JobRow(job, state, JobCounts(made), name=self.called.get(job, "")))
        return [JobsLook("snmp", 1, at_us, at_us, tuple(rows))]

    def print(self, job: int, pages: int) -> None:
        self.jobs[job] = (self.world.now_s, pages)
        self.world.printers["p"].print(self.world.now_s, pages)


async def two_releases(world: World, jobs: ToldJobs) -> None:
    """A prints 2 of 6 pages, B all its 4, and the meter never rests between them."""
    await world.passes(20)
    await world.start("A", 6)
    jobs.print(1, 2)
    await world.end("A")
    await world.passes(0.5)
    await world.start("B", 4)
    jobs.print(2, 4)
    await world.end("B")
    await world.passes(60)


async def played(*, told: bool) -> tuple[Ledger, ToldJobs, list[Fact], str]:
    world = World()
    jobs = ToldJobs(world)
    if told:
        world.around = replace(world.around, jobs=jobs)
    async with world:
        await two_releases(world, jobs)
        (known,) = await explained(world.store, "A")
        return await world.ledger(), jobs, await world.facts(), explain_text(known, ZoneInfo("UTC"))


def test_what_it_says_is_recorded_and_names_the_release_that_is_short() -> None:
    ledger, jobs, facts, _ = passing(played(told=True))
    said = [one for one in facts if isinstance(one, JobCounted)]
    assert {one.job: one.counts.impressions for one in said} == {1: 2, 2: 4}
    assert {one.state for one in said} == {"processing", "completed"}
    assert all(one.began is not None for one in said)
    assert {True, False} == set(jobs.busy)
    charges = {one.release.release: one for one in ledger.charges}
    assert {name: str(one.verdict) for name, one in charges.items()} == {"A": "shortfall", "B": "agrees"}
    assert (charges["A"].charged, charges["B"].charged) == (2, 4)


def test_without_it_nobody_is_named() -> None:
    ledger, _, facts, _ = passing(played(told=False))
    assert not [one for one in facts if isinstance(one, JobCounted)]
    assert {str(one.verdict) for one in ledger.charges} == {"shortfall"}


def test_explain_shows_what_the_printer_said_of_its_jobs() -> None:
    *_, text = passing(played(told=True))
    assert "the printer says of its job 1: completed, 2 impressions (told by snmp)" in text
    assert "the printer's own counts of its jobs show whose pages are whose" in text


def test_what_could_not_be_stored_is_stored_with_the_next_look() -> None:
    async def stored() -> list[JobCounted]:
        world = World()
        jobs = ToldJobs(world)
        world.around = replace(world.around, jobs=jobs)
        async with world:
            await world.passes(20)
            await world.start("A", 2)
            jobs.print(1, 2)
            await world.passes(2.2)
            world.store.unavailable = "the disk is full"
            await world.passes(3)
            world.store.unavailable = ""
            await world.end("A")
            await world.passes(60)
            return [one for one in await world.facts() if isinstance(one, JobCounted)]

    said = passing(stored())
    assert (said[-1].state, said[-1].counts.impressions) == ("completed", 2)
    assert said[-1].began is not None


def test_a_job_that_a_notice_names_is_recorded_with_its_release_and_without_the_name() -> None:
    uuid = "urn:uuid:01234567-89ab-4cde-8f01-23456789abcd"

    async def named() -> tuple[set[str], list[JobCounted]]:
        world = World()
        jobs = ToldJobs(world, called={1: uuid})
        world.around = replace(world.around, jobs=jobs)
        async with world:
            await world.passes(20)
            await world.start("A", 2, job=uuid)
            await world.start("B", 1)
            jobs.print(1, 2)
            await world.passes(5)
            # Two open releases of one name: it leads to neither.
            await world.start("C", 1, job="job-B")
            await world.passes(60)
            return jobs.names, [one for one in await world.facts() if isinstance(one, JobCounted)]

    names, said = passing(named())
    assert names == {uuid, "job-B"}
    assert said[-1].state == "completed"
    assert said[-1].named_by is not None
    assert said[-1].named_by.release == "A"
    assert uuid not in repr(said)
