"""Two workers of one PostgreSQL: what one takes in, the other's printers and badges hear of as if it had come there."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from time import monotonic

import pytest

from pagereeve.app.replay import replay_store
from pagereeve.domain.facts.events import PRINTER_NOTED
from pagereeve.domain.facts.facts import BadgePresented, ReleaseEnded, ReleaseStarted
from pagereeve.domain.ledger import Charge, Verdict
from pagereeve.engine.alerts.maintenance import MaintenanceMarks
from pagereeve.ports.intake import Accepted
from pagereeve.queries.verify import verify
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.following import POLL_S
from pagereeve.store.postgres.reads import PostgresReads
from tests.integration.following_worlds import Worker, worker
from tests.unit.engine.world import FakePrinter

DEADLINE_S = 30.0


async def until(look: Callable[[], Awaitable[bool]], within_s: float = DEADLINE_S) -> float:
    """After how long it was so."""
    began = monotonic()
    while not await look():
        assert monotonic() - began < within_s
        await asyncio.sleep(0.02)
    return monotonic() - began


async def two_workers(
    held: AsyncExitStack,
    address: Address,
    printers: dict[str, FakePrinter],
    theirs: Callable[[str], bool],
    *,
    gateways: dict[str, str] | None = None,
    listens: bool = True,
) -> tuple[Worker, Worker]:
    """The other watches ``theirs``, and the first the rest."""
    boxes = gateways or {}
    one = await held.enter_async_context(worker(address, printers, lambda name: not theirs(name), boxes))
    other = await held.enter_async_context(worker(address, printers, theirs, boxes, listens=listens, badges=False))
    return one, other


async def test_a_printer_is_worked_on_for_every_worker_whoever_watches_it_and_wherever_the_note_comes_in(
    postgres_journal: Address,
) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter()}
    async with AsyncExitStack() as held:
        workers = await two_workers(held, postgres_journal, printers, lambda name: name == "far")
        marks = [MaintenanceMarks(one.journal, one.world.clock) for one in workers]
        for one, its in zip(workers, marks, strict=True):
            one.world.intake.handing_on.on_noted = one.follower.on_noted = its.changed
            await its.refresh()

        async def note(at: Worker, printer: str, what: str) -> None:
            await at.world.send(PRINTER_NOTED, {"printer": printer, "note": what}, event=f"{printer} {what}")

        async def worked_on() -> list[list[str]]:
            for its in marks:
                await its.refresh()
            now_us = workers[0].world.clock.now_us()
            return [[name for name in printers if its.holds(name, now_us)] for its in marks]

        async def so(expected: list[str]) -> bool:
            return await worked_on() == [expected, expected]

        assert await so([])
        await note(workers[0], "far", "maintenance-begun")
        assert await until(lambda: so(["far"])) < 4 * POLL_S
        await note(workers[1], "near", "maintenance-begun")
        await until(lambda: so(["near", "far"]))
        await note(workers[1], "far", "maintenance-ended")
        await until(lambda: so(["near"]))


async def require_right(address: Address) -> None:
    """Every row is what a replay of the facts gives, and each fact is as it was sealed."""
    async with await PostgresReads.open_for_reading(address) as reads:
        assert (await verify(reads)).problems == []
        report = await replay_store(reads, store=False)  # type: ignore[arg-type]
        assert report.differing == []


@pytest.mark.parametrize("listens", [True, False], ids=["listening", "by its look each second"])
async def test_a_release_taken_in_here_is_bracketed_by_who_watches_its_printer(
    postgres_journal: Address, listens: bool
) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter()}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far", listens=listens)
        await until(lambda: _has_read(other, "far"))
        assert one.world.registry.watcher("far") is None
        reads = len(other.world.sent_s("far"))
        await one.world.start("R", 3, "far")

        async def was_read() -> bool:
            return len(other.world.sent_s("far")) > reads

        assert await until(was_read) < 2.0
        printers["far"].print(one.world.now_s, 3, first_s=0.3, page_s=0.05)
        await asyncio.sleep(0.8)
        await one.world.end("R")

        async def closed() -> bool:
            charges = await charges_of(other, "far")
            return bool(charges) and all(one.verdict is not None for one in charges)

        await until(closed)
        assert [(one.charged, one.verdict) for one in await charges_of(other, "far")] == [(3, Verdict.AGREES)]
    await require_right(postgres_journal)


async def charges_of(one: Worker, printer: str) -> list[Charge]:
    """Of all that it printed, in total."""
    segments = await one.journal.segments(printer)
    return [charge for segment in segments for charge in segment.charges if charge.channel == "total"]


async def _has_read(one: Worker, printer: str) -> bool:
    return bool(one.world.sent_s(printer))


async def test_a_badge_taken_in_here_has_the_meters_read_behind_its_gateway_there(postgres_journal: Address) -> None:
    printers = {name: FakePrinter() for name in ("near", "far", "farther")}
    gateways = {"far": "box", "farther": "box", "near": "other-box"}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name != "near", gateways=gateways)
        await until(lambda: _has_read(other, "far"))
        await until(lambda: _has_read(other, "farther"))
        before = {name: len(other.world.sent_s(name)) for name in printers}
        await one.world.badge("1234", "box")

        async def both_read() -> bool:
            return all(len(other.world.sent_s(name)) > before[name] for name in ("far", "farther"))

        assert await until(both_read) < 1.5
        # And a badge that came there is one of those that are looked at here.
        await other.world.badge("5678", "box", event="taken in there")

        async def known() -> bool:
            projector = one.world.badge_watcher.projector
            return projector is not None and len(projector._events) == 2

        await until(known)


async def test_an_end_that_was_placed_without_the_others_start_follows_it(postgres_journal: Address) -> None:
    """The release moved: its second start notice came in at another worker, and its end here, at once."""
    printers = {"near": FakePrinter(), "far": FakePrinter()}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far", listens=False)
        await one.world.start("R", 3, "near", event="first")
        await other.world.start("R", 3, "far", event="second")
        await one.world.end("R")

        async def routed() -> bool:
            return any(isinstance(fact, ReleaseEnded) for fact in await other.world.facts("far"))

        await until(routed)
    await require_right(postgres_journal)


async def test_each_event_handed_to_both_under_load_counts_once(postgres_journal: Address) -> None:
    """One of the two has no ear for what the database tells, and learns by its look each second."""
    names = [f"printer-{number}" for number in range(8)]
    printers = {name: FakePrinter() for name in names}
    gateways = {name: f"box-{number // 2}" for number, name in enumerate(names)}
    theirs = set(names[::2])
    rounds = 6
    async with AsyncExitStack() as held:
        workers = await two_workers(
            held, postgres_journal, printers, theirs.__contains__, gateways=gateways, listens=False
        )
        for name in names:
            await until(lambda name=name: _has_read(workers[name in theirs], name))  # type: ignore[misc]

        async def both(send: Callable[[Worker], Awaitable[Accepted]]) -> None:
            taken = await asyncio.gather(*(send(one) for one in workers))
            assert sorted(one.outcome for one in taken) == ["duplicate", "stored"]

        async def work(name: str) -> None:
            box = gateways[name]
            for number in range(rounds):
                release = f"{name}-{number}"
                await both(lambda one: one.world.badge("1234", box, event=f"badge-{release}"))  # noqa: B023
                await both(lambda one: one.world.start(release, 2, name, event=f"start-{release}"))  # noqa: B023
                printers[name].print(workers[0].world.now_s, 2, first_s=0.2, page_s=0.05)
                await asyncio.sleep(0.5)
                await both(lambda one: one.world.end(release, event=f"end-{release}"))  # noqa: B023
                await asyncio.sleep(1.5)

        await asyncio.gather(*(work(name) for name in names))

        async def all_judged() -> bool:
            charges = [one for name in names for one in await charges_of(workers[0], name)]
            return len(charges) == rounds * len(names) and all(one.charged is not None for one in charges)

        await until(all_judged)
    await require_right(postgres_journal)
    async with await PostgresReads.open_for_reading(postgres_journal) as reads:
        for name in names:
            facts = [one.fact async for one in reads.facts(name)]
            starts = [one for one in facts if isinstance(one, ReleaseStarted)]
            ends = [one for one in facts if isinstance(one, ReleaseEnded)]
            badges = [one for one in facts if isinstance(one, BadgePresented)]
            assert (len(starts), len(ends), len(badges)) == (rounds, rounds, 2 * rounds)
