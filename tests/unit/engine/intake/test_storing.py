"""The fourth stage alone: facts become durable in order, with a journal that fails where it is asked to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import pytest

from pagereeve.domain.facts.facts import BadgePresented, Fact, ReleaseEnded
from pagereeve.engine.intake import releases as releases_module
from pagereeve.engine.intake.placement import Placed
from pagereeve.engine.intake.releases import Releases
from pagereeve.engine.intake.storing import Stored, Storing
from pagereeve.ports.journal import JournalUnavailable, Receipt
from tests.unit.engine.intake.facts import SOURCE, ended, origin, started

PRESENTED = BadgePresented("a", origin("b1"), "b-1", "gw")
THREE = Placed((PRESENTED, replace(PRESENTED, printer="b"), replace(PRESENTED, printer="c")))


@dataclass
class Journal:
    """``fails_at`` is the number of the fact that can't be stored; ``steps`` are what was stored and handed on.

    ``commits`` counts transactions.
    """

    fails_at: int = 0
    receipt: Receipt = field(default_factory=lambda: Receipt("stored", 1))
    appends: int = 0
    commits: int = 0
    steps: list[tuple[str, Fact]] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    handed_on: list[Stored] = field(default_factory=list)

    async def append(self, fact: Fact) -> Receipt:
        return (await self.append_together([fact]))[0]

    async def append_together(self, facts: Sequence[Fact]) -> Sequence[Receipt]:
        numbers = range(self.appends + 1, self.appends + len(facts) + 1)
        self.appends += len(facts)
        if self.fails_at in numbers:
            raise JournalUnavailable("the disk is full")
        self.commits += 1
        self.steps += [("stored", fact) for fact in facts]
        return [self.receipt if number == 1 else Receipt("stored", number) for number in numbers]

    async def release_facts(self, source: str, release: str) -> Sequence[Fact]:
        self.asked.append(f"{source} {release}")
        return [fact for done, fact in self.steps if done == "stored"]

    async def hand_on(self, stored: Stored) -> None:
        self.steps.append(("handed on", stored.fact))
        self.handed_on.append(stored)

    def stage(self) -> Storing:
        return Storing(self.append, self.append_together, Releases(self.release_facts), self.hand_on)


async def test_an_event_of_many_printers_is_one_commit() -> None:
    journal = Journal()
    forty = Placed(tuple(replace(PRESENTED, printer=f"printer-{nth}") for nth in range(40)))
    receipt = await journal.stage().store(forty)
    assert receipt is journal.receipt
    assert journal.commits == 1
    assert [one.fact for one in journal.handed_on] == list(forty.facts)
    assert [one.receipt.seq for one in journal.handed_on] == list(range(1, 41))


@pytest.mark.parametrize("fails_at", [1, 2, 3])
async def test_a_journal_that_fails_leaves_nothing_stored_that_was_not_handed_on(fails_at: int) -> None:
    journal = Journal(fails_at)
    with pytest.raises(JournalUnavailable, match="disk is full"):
        await journal.stage().store(THREE)
    assert journal.steps == []


async def test_of_a_start_and_the_end_that_waited_for_it_the_first_is_handed_on_before_the_second_is_stored() -> None:
    journal = Journal(fails_at=2, receipt=Receipt("stored", 1, (ended(5),)))
    with pytest.raises(JournalUnavailable, match="disk is full"):
        await journal.stage().store(Placed((started("p", 1),)))
    assert journal.steps == [("stored", started("p", 1)), ("handed on", started("p", 1))]


async def test_what_is_handed_on_says_what_it_concerns() -> None:
    journal = Journal()
    await journal.stage().store(Placed((ended(5, "p"),), [started("p", 1)], concerns_us=3))
    assert journal.handed_on == [Stored(ended(5, "p"), journal.receipt, [started("p", 1)], 3)]


async def test_an_end_that_waited_is_stored_after_its_start_and_with_it() -> None:
    journal = Journal(receipt=Receipt("stored", 1, (ended(5),)))
    stage = journal.stage()
    await stage.store(Placed((started("p", 1),)))
    first, second = journal.handed_on
    assert (first.fact, first.starts) == (started("p", 1), [started("p", 1)])
    assert (second.fact.printer, second.starts) == ("p", [started("p", 1)])
    assert await stage.releases.starts(SOURCE, "r") == [started("p", 1)]
    assert journal.asked == []


async def test_a_start_that_is_not_durable_is_not_remembered() -> None:
    journal = Journal(fails_at=1)
    stage = journal.stage()
    with pytest.raises(JournalUnavailable):
        await stage.store(Placed((started("p", 1),)))
    assert await stage.releases.starts(SOURCE, "r") == []
    assert journal.asked == [f"{SOURCE} r"]


async def test_releases_beyond_the_limit_are_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(releases_module, "RELEASES_MAX", 1)
    journal = Journal()
    stage = journal.stage()
    await stage.store(Placed((started("p", 1),)))
    await stage.store(Placed((started("p", 2, "another"),)))
    assert await stage.releases.starts(SOURCE, "another") == [started("p", 2, "another")]
    assert journal.asked == []
    assert started("p", 1) in await stage.releases.starts(SOURCE, "r")
    assert journal.asked == [f"{SOURCE} r"]


async def test_an_end_follows_a_start_that_was_stored_while_it_was_on_its_way() -> None:
    """Its own start notice was the only one when it was placed: a second, at another printer, came in between."""
    journal = Journal()
    stage = journal.stage()
    first = started("a", 100)
    await stage.store(Placed((first,)))
    starts = await stage.releases.starts(SOURCE, "r")
    second, end = started("b", 200), ended(300, "a")
    journal.steps.append(("stored", second))
    stage.releases.forget(SOURCE, "r")
    await stage.store(Placed((end,), starts))
    assert [(one.fact.printer, type(one.fact)) for one in journal.handed_on[1:]] == [
        ("a", ReleaseEnded),
        ("b", ReleaseEnded),
    ]
    # Where nothing came in between, nobody asks.
    asked = len(journal.asked)
    await stage.store(Placed((ended(400, "b"),), await stage.releases.starts(SOURCE, "r")))
    assert len(journal.asked) == asked
