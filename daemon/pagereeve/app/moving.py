"""``pagereeve move``: a journal goes from its file into a database, table by table, and is whole there once all of it
was read back and compared.

The file is held, read and left as it is. Until the last step no daemon opens the database, and a move that was stopped
or killed goes on where it was.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pagereeve.app.journals import NO_DRIVER
from pagereeve.ports.journal import DamagedRow, JournalUnavailable
from pagereeve.ports.reads import Reads
from pagereeve.queries.same_answers import Compared, compared_answers
from pagereeve.queries.verify import Verification, verify
from pagereeve.queries.verify_problems import Problem
from pagereeve.store.errors import CantOpen, NotMoved
from pagereeve.store.postgres.address import Address
from pagereeve.store.records.moved_rows import RowsSum
from pagereeve.store.sql.moved_tables import MOVED, MovedTable
from pagereeve.store.sqlite.moving import FIRST, MovedJournal, MoveSource, move_source
from pagereeve.store.sqlite.reads import SqlReads

if TYPE_CHECKING:
    from pagereeve.store.postgres.moving import MoveTarget

OnStep = Callable[[str, int, int], None]
"""(what is done now, how many of its rows are, of how many); of 0 rows where that is not counted."""

_SHOWN: Final = 5
_ANEW: Final = (
    "no daemon opens the database. Make it anew (DROP DATABASE, CREATE DATABASE) and move again; if it comes again, "
    "look after the disks and the memory of both machines"
)


@dataclass(slots=True)
class Moved:
    """``went_on_from``: rows that an earlier move had stored. ``odd``: rows with a value that the database takes only
    in another form. ``source`` and ``target`` are what ``pagereeve verify`` says of both; ``damaged`` rows were found
    in the journal, and are as damaged in the database.
    """

    journal: MovedJournal
    address: str
    went_on_from: int = 0
    odd: list[str] = field(default_factory=list)
    source: Verification = field(default_factory=Verification)
    target: Verification = field(default_factory=Verification)
    damaged: Sequence[DamagedRow] = ()
    answers: list[Compared] = field(default_factory=list)

    @property
    def is_good(self) -> bool:
        """Nothing was wrong with the journal already."""
        return self.source.is_good and not self.damaged and not self.odd


async def move_journal(path: Path, address: Address, on_step: OnStep = lambda *_: None) -> Moved:
    """Raises CantOpen or one of its kinds, NotMoved, JournalUnavailable."""
    try:
        from pagereeve.store.postgres.moving import Moving, move_target  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise CantOpen(str(address), NO_DRIVER) from error
    on_step("looks at the journal", 0, 0)
    with move_source(path) as source:
        journal = source.journal
        done = Moved(journal, str(address))
        async with move_target(address, Moving(journal.origin, journal.facts, journal.sha256)) as target:
            done.went_on_from = sum(one.sum.rows for one in target.states.values())
            await _copy(source, target, done, on_step)
            await target.prepare()
            await _compare_rows(target, journal, on_step)
            await _compare_answers(path, address, source, done, on_step)
            source.require_as_it_was()
            await target.finish()
    return done


async def _copy(source: MoveSource, target: MoveTarget, done: Moved, on_step: OnStep) -> None:
    from pagereeve.store.postgres.moving import ODD_MAX, TableState  # noqa: PLC0415 - an extra's

    copied = done.went_on_from
    for moved in MOVED:
        state = target.states.get(moved.name) or TableState(FIRST, RowsSum())
        for batch in source.batches(moved, state.upto):
            total = RowsSum(state.sum.rows, state.sum.total)
            for row in batch.rows:
                total.add(row)
            odd = (*state.odd, *batch.odd)[:ODD_MAX]
            state = TableState(batch.upto, total, odd)
            await target.add(moved, batch.rows, state)
            copied += len(batch.rows)
            on_step(f"copies {moved.name}", copied, done.journal.all_rows)
        done.odd += state.odd


async def _compare_rows(target: MoveTarget, journal: MovedJournal, on_step: OnStep) -> None:
    """Each row is read back, and there are as many as in the file. Raises NotMoved."""
    read = 0
    for moved in MOVED:
        found = RowsSum()
        async for one in target.sum_of(moved):
            found = one
            on_step(f"reads {moved.name} back", read + found.rows, journal.all_rows)
        read += found.rows
        _require_equal(moved, journal.rows[moved.name], _sent(target, moved), found)


def _sent(target: MoveTarget, moved: MovedTable) -> RowsSum:
    state = target.states.get(moved.name)
    return RowsSum() if state is None else state.sum


def _require_equal(moved: MovedTable, in_file: int, sent: RowsSum, found: RowsSum) -> None:
    if not in_file == sent.rows == found.rows:
        raise NotMoved(
            f"the move is not finished: table {moved.name} has {in_file} rows in the file, {sent.rows} were sent, and "
            f"{found.rows} stand in the database; {_ANEW}"
        )
    if sent != found:
        raise NotMoved(f"the move is not finished: rows of table {moved.name} came back other than sent; {_ANEW}")


async def _compare_answers(path: Path, address: Address, source: MoveSource, done: Moved, on_step: OnStep) -> None:
    """Raises NotMoved where the database says anything that the file does not."""
    from pagereeve.store.postgres.reads import PostgresReads  # noqa: PLC0415 - an extra's

    async with await SqlReads.open_for_reading(path, nobody_writes=True) as ours, PostgresReads(address) as theirs:
        on_step("verifies the seal of the journal", 0, 0)
        done.source = await verify(ours)
        on_step("verifies the seal in the database", 0, 0)
        done.target = await verify(theirs)
        _require_same_seal(source, done)
        on_step("compares answers", 0, 0)
        await _require_same_answers(ours, theirs, done)
        done.damaged = ours.damaged()


def _require_same_seal(source: MoveSource, done: Moved) -> None:
    if done.source.head != done.target.head:
        raise NotMoved(f"the move is not finished: the seal has another head in the database; {_ANEW}")
    ours, theirs = (_known(one) for one in (done.source, done.target))
    differing = [one for one in theirs if one not in ours] + [one for one in ours if one not in theirs]
    wrong = [one for one in differing if not source.is_odd(one.printer, one.seq)]
    if wrong and done.source.count <= len(done.source.problems):
        named = ", ".join(f"{one.printer or 'the site'}: fact {one.seq}" for one in wrong[:_SHOWN])
        raise NotMoved(f"the move is not finished: the seal says of both not the same ({named}); {_ANEW}")


def _known(done: Verification) -> list[Problem]:
    """What is wrong with rows; what SQLite says of its own file no database can say."""
    return [one for one in done.problems if one.what != "unreadable"]


async def _require_same_answers(ours: Reads, theirs: Reads, done: Moved) -> None:
    try:
        async for one in compared_answers(ours, theirs):
            done.answers.append(one)
    except JournalUnavailable as error:
        raise NotMoved(f"the move is not finished: an answer could not be had ({error}); {_ANEW}") from error
    other = [one.question for one in done.answers if not one.same]
    if other:
        raise NotMoved(f"the move is not finished: other answers came of the database: {', '.join(other)}; {_ANEW}")
