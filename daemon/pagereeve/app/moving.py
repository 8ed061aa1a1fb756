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
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.journal import JournalUnavailable
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
_AGAIN: Final = "Run the same command again, and it goes on"


@dataclass(slots=True)
class Moved:
    """``went_on_from``: rows that an earlier move had stored. ``odd``: names of rows with a value that the database
    takes only in another form; ``damaged``: of those that are as damaged in the database as in the file. ``verified``
    is what ``pagereeve verify`` says of the database; ``troubles`` what SQLite says of the file.
    """

    path: Path
    journal: MovedJournal
    address: str
    went_on_from: int = 0
    odd: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    troubles: Sequence[str] = ()
    verified: Verification = field(default_factory=Verification)
    answers: list[Compared] = field(default_factory=list)

    @property
    def is_good(self) -> bool:
        """Nothing was wrong with the journal already."""
        return self.verified.is_good and not (self.damaged or self.odd or self.troubles)


async def move_journal(path: Path, address: Address, on_step: OnStep = lambda *_: None) -> Moved:
    """Raises CantOpen or one of its kinds, NotMoved, JournalUnavailable."""
    try:
        from pagereeve.store.postgres.moving import Moving, move_target  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise CantOpen(str(address), NO_DRIVER) from error
    on_step("looks at the journal", 0, 0)
    with move_source(path) as source:
        journal = source.journal
        done = Moved(path, journal, str(address))
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
    from pagereeve.store.postgres.moving import TableState  # noqa: PLC0415 - an extra's

    copied = done.went_on_from
    for moved in MOVED:
        state = target.states.get(moved.name) or TableState(FIRST, RowsSum())
        for batch in source.batches(moved, state.upto):
            state = state.then(batch.upto, batch.rows, batch.odd, batch.damaged)
            await target.add(moved, batch.rows, state)
            copied += len(batch.rows)
            on_step(f"copies {moved.name}", copied, done.journal.all_rows)
        done.odd += state.odd
        done.damaged += state.damaged


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
        on_step("looks at the file", 0, 0)
        done.troubles = await ours.file_troubles()
        on_step("verifies the seal in the database", 0, 0)
        done.verified = await verify(theirs)
        unread = next((one.said for one in done.verified.problems if one.what == "unreadable"), None)
        if unread is not None:
            raise NotMoved(f"the move is not finished: the seal could not be read to its end ({unread}). {_AGAIN}")
        if done.verified.head != await ours.seal_head():
            raise NotMoved(f"the move is not finished: the seal has another head in the database; {_ANEW}")
        if done.verified.count:
            on_step("verifies the seal in the file", 0, 0)
            _require_same_seal(source, await verify(ours), done.verified)
        on_step("compares answers", 0, 0)
        await _require_same_answers(ours, theirs, done)


def _require_same_seal(source: MoveSource, in_file: Verification, in_database: Verification) -> None:
    """All rows came as they were, so what is wrong there must be wrong in the file."""
    ours, theirs = (_known(one) for one in (in_file, in_database))
    differing = [one for one in theirs if one not in ours] + [one for one in ours if one not in theirs]
    wrong = [one for one in differing if not source.is_odd(one.printer, one.seq)]
    if wrong and in_file.count <= len(in_file.problems):
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
        raise NotMoved(f"the move is not finished: {error}. {_AGAIN}") from error
    except (BadFact, ValueError, TypeError, KeyError) as error:
        raise NotMoved(
            f"the move is not finished: an answer can't be had ({type(error).__name__}: {error}). Rows of the ledger "
            f"may be damaged: pagereeve replay --data-dir {done.path.parent} makes them of the facts again. Then make "
            "the database anew (DROP DATABASE, CREATE DATABASE), and move again"
        ) from error
    other = [one.question for one in done.answers if not one.same]
    if other:
        raise NotMoved(f"the move is not finished: other answers came of the database: {', '.join(other)}; {_ANEW}")
