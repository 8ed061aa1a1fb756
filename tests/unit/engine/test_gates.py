"""Who waits for another worker's meter, and who answers: what is bounded, what is away, what fails."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import pytest

from pagereeve.domain.facts.facts import ReleaseAnswered
from pagereeve.engine import gates as gates_module
from pagereeve.engine.gates import GateAnswers, GatesElsewhere
from pagereeve.ports.gates import Gate
from pagereeve.ports.journal import JournalUnavailable
from tests.unit.engine.intake.facts import SOURCE, started
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World

START = started("p", 5)
ANSWERED = ReleaseAnswered("p", 7, *START.origin.key, started_us=5, reading="in-hand", rest="rested")


@dataclass
class Board:
    """``away``: nothing can be asked."""

    asked_now: list[Gate] | None = field(default_factory=list)
    away: bool = False
    taken: bool = True
    steps: list[str] = field(default_factory=list)

    async def _step(self, what: str) -> None:
        self.steps.append(what)
        if self.away:
            raise JournalUnavailable("the database is away", "away")

    async def ask(self, gate: Gate) -> None:
        await self._step(f"ask {gate.id} {gate.left_s} {gate.rest}")

    async def withdraw(self, gate: Gate) -> None:
        await self._step(f"withdraw {gate.id}")

    async def asked(self) -> Sequence[Gate] | None:
        return self.asked_now

    async def answer(self, gate: Gate) -> bool:
        await self._step(f"answer {gate.id}")
        return self.taken


def test_who_waits_is_told_by_the_fact_and_who_comes_later_what_was_said() -> None:
    async def story() -> None:
        board = Board()
        elsewhere = GatesElsewhere(board)
        first = asyncio.ensure_future(elsewhere.wait(START, 5.0, rest=True, stored=True))
        second = asyncio.ensure_future(elsewhere.wait(START, 5.0, rest=True, stored=False))
        await asyncio.sleep(1)
        elsewhere.answered(replace(ANSWERED, id="of another notice"))
        assert not first.done()
        elsewhere.answered(ANSWERED)
        for one in (await first, await second, await elsewhere.wait(START, 5.0, rest=True, stored=False)):
            assert (one.reading, one.rest, one.kept) == ("in-hand", "rested", True)
        # The second delivery asked nobody, and nothing is withdrawn that was answered.
        assert board.steps == ["ask s-5 5.0 True"]
        assert elsewhere._waiting == {}

    passing(story())


def test_a_board_that_is_away_holds_nobody() -> None:
    async def story() -> None:
        board = Board(away=True)
        waited = await GatesElsewhere(board).wait(START, 5.0, rest=False, stored=True)
        assert (waited.reading, waited.rest, waited.kept) == ("not-waited", "", False)
        assert asyncio.get_running_loop().time() < 1

    passing(story())


def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gates_module, "KNOWN_MAX", 3)

    async def story() -> None:
        elsewhere = GatesElsewhere(Board())
        async with World() as world:
            answers = GateAnswers(Board(), world.registry, world.intake.storing, world.clock)
            for number in range(5):
                elsewhere.answered(replace(ANSWERED, id=f"s-{number}"))
                answers.heard(started("p", number))
            assert [name for _, name in elsewhere._known] == ["s-2", "s-3", "s-4"]
            assert [name for _, name in answers._heard_us] == ["s-2", "s-3", "s-4"]

    passing(story())


def gate(left_s: float = 5.0, printer: str = "p") -> Gate:
    return Gate(printer, SOURCE, "s-5", 5, left_s)


def test_a_printer_that_is_watched_here_is_read_once_and_its_answer_stored() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            board = Board([gate(), replace(gate(printer="somebody else's"), id="other")])
            answers = GateAnswers(board, world.registry, world.intake.storing, world.clock)
            await answers.look()
            await answers.look()
            await world.passes(1)
            board.asked_now = None
            await answers.look()
            assert board.steps == ["answer s-5"]
            stored = [fact for fact in await world.facts() if isinstance(fact, ReleaseAnswered)]
            assert [(fact.notice, fact.reading) for fact in stored] == [((SOURCE, "s-5"), "in-hand")]
            board.asked_now = []
            await answers.look()
            assert answers._tasks == {}

    passing(story())


@pytest.mark.parametrize(("taken", "away"), [(False, False), (True, True)], ids=["gone", "away"])
def test_nothing_is_stored_for_a_sender_that_waits_no_more(taken: bool, away: bool) -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            board = Board([gate()], away, taken)
            answers = GateAnswers(board, world.registry, world.intake.storing, world.clock)
            await answers.look()
            await world.passes(1)
            board.asked_now = []
            await answers.look()
            assert board.steps == ["answer s-5"]
            assert not any(isinstance(fact, ReleaseAnswered) for fact in await world.facts())

    passing(story())


def test_a_fault_of_an_answer_is_raised_and_one_that_is_withdrawn_ends() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            world.printers["p"].silent = True
            board = Board([gate()])
            answers = GateAnswers(board, world.registry, world.intake.storing, world.clock)
            await answers.look()
            await asyncio.sleep(0)
            board.asked_now = []
            await answers.look()
            await world.passes(0.1)
            await answers.look()
            assert (answers._tasks, board.steps) == ({}, [])

            async def broken(placed: object) -> None:
                raise ValueError("an invented fault")

            world.printers["p"].silent = False
            answers.storing = replace(world.intake.storing, append=broken)  # type: ignore[arg-type]
            board.asked_now = [gate(left_s=30.0)]
            await answers.look()
            await world.passes(20)
            with pytest.raises(ValueError, match="invented fault"):
                await answers.look()
            await answers.close()

    passing(story())
