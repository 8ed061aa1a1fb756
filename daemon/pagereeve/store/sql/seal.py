"""The seal in its tables: facts are sealed in the transaction that stores them; older ones at the first start."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, func, insert, select, update

from pagereeve.domain.seal.merkle import Frontier
from pagereeve.store.errors import DamagedSeal
from pagereeve.store.records.batch import Numbered
from pagereeve.store.records.sealing import OWN_ORIGIN, Salts, SealedFact, SealState, new_origin, seal, seal_filed
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from pagereeve.store.sql.driven import Driven

SLICE_FACTS: Final = 2_000
"""So many older facts are sealed in a transaction: a start that is stopped goes on where it was."""
LINKS_MAX: Final = 100_000
ONLY: Final = 1

_ENTRY: Final = schema.seal_entry.c
_FACT: Final = schema.fact.c
_STATE: Final = select(schema.seal)
_OWN: Final = select(schema.origin.c.id).where(schema.origin.c.number == OWN_ORIGIN)
# Those of the group that is being stored stand there already, and have no entry yet.
_LINK: Final = Driven(
    select(_ENTRY.link)
    .select_from(schema.fact.join(schema.seal_entry, schema.SEALED))
    .where(_FACT.printer == bindparam("printer"))
    .order_by(_FACT.seq.desc())
    .limit(ONLY)
)
# Entries are never deleted, so that the last one's place counts them.
_COUNT: Final = select(func.max(_ENTRY.position))
# Of one moment, also where others store meanwhile: there each statement has its own.
_COUNTED: Final = select(schema.seal, _COUNT.scalar_subquery().label("sealed"))
_ENTRIES: Final = Adding(schema.seal_entry)
_OLDER: Final = select(_FACT.place, _FACT.printer, _FACT.seq, _FACT.kind, _FACT.body).order_by(_FACT.place)
_PLACED: Final = update(schema.fact).where(_FACT.place == bindparam("was")).values(place=bindparam("now"))
# Below all that is there, so that what is stored next finds its place free.
_ASIDE: Final = (
    update(schema.fact)
    .where(_FACT.place > select(schema.seal.c.size).scalar_subquery())
    .values(place=select(func.min(_FACT.place)).scalar_subquery() - _FACT.place)
)
_MOVE_ON: Final = Driven(update(schema.seal).values(size=bindparam("now_size"), peaks=bindparam("now_peaks")))


@dataclass(slots=True)
class Sealing:
    """What is known of the seal between groups; read anew after a group that was not stored. ``size`` is committed.
    ``added``: behind which place and up to which the last addition stands, stored or not.
    """

    salts: Salts = os.urandom
    state: SealState | None = None
    size: int = 0
    added: tuple[int, int] = (0, 0)

    def forget(self) -> None:
        self.state = None

    def stored(self) -> None:
        """What was added is committed."""
        self.size = 0 if self.state is None else self.state.tree.size

    def next_place(self, connection: Connection) -> int:
        """Of the first fact that ``add`` seals next."""
        state = self.state = self.state or read_state(connection)
        return state.tree.size + 1

    def add(self, connection: Connection, facts: Sequence[Numbered]) -> None:
        """In the transaction that stores them. Then ``stored`` must be called, or ``forget``."""
        filed = [(one.seq, one.filing) for one in facts]
        self._add(connection, partial(seal_filed, facts=filed))

    def _add(self, connection: Connection, sealed_now: Callable[..., list[SealedFact]]) -> int:
        """``sealed_now`` is of sealing's functions one that has its facts already."""
        state = self.state = self.state or read_state(connection)
        if len(state.links) > LINKS_MAX:
            state.links.clear()

        def previous(printer: str) -> bytes | None:
            found = _LINK.rows(connection, {"printer": printer})
            return bytes.fromhex(found[0].link) if found else None

        before = state.tree.size
        entries = sealed_now(state, previous=previous, salts=self.salts)
        self.added = (before, state.tree.size)
        if entries:
            _ENTRIES.add(connection, [_columns(one) for one in entries])
            peaks = " ".join(peak.hex() for peak in state.tree.peaks)
            _MOVE_ON.run(connection, {"now_size": state.tree.size, "now_peaks": peaks})
        return len(entries)

    def begin(self, connection: Connection, now_us: int, path: Path | str) -> int:
        """Before anything else is stored: seals what was there already. How many facts it sealed now. What somebody put
        behind them since, and nobody sealed, goes aside, where ``pagereeve verify`` names it.

        Raises DamagedSeal where nothing could be sealed any more.
        """
        with connection.begin():
            row = connection.execute(_COUNTED).one_or_none()
            count = (connection.execute(_COUNT).scalar() if row is None else row.sealed) or 0
            _require_whole(path, row, count)
            if row is None:
                first = {"id": ONLY, "origin": self._own(connection), "size": 0, "peaks": "", "since_us": now_us}
                connection.execute(insert(schema.seal), first)
        done = row is not None and row.older is not None
        older = 0
        while not done:
            with connection.begin():
                sealed = self._add(connection, partial(seal, facts=_older(connection, self.next_place(connection))))
                if not sealed:
                    connection.execute(update(schema.seal).values(older=count + older))
            older += sealed
            done = not sealed
        with connection.begin():
            connection.execute(_ASIDE)
        self.state = self.state or read_state_of(connection)
        self.stored()
        return older

    def _own(self, connection: Connection) -> str:
        """The journal's id, from now on."""
        known = connection.execute(_OWN).scalar_one_or_none()
        if known is not None:
            return str(known)
        made = new_origin(self.salts)
        connection.execute(insert(schema.origin), {"number": OWN_ORIGIN, "id": made})
        return made


def _require_whole(path: Path | str, row: Row[Any] | None, count: int) -> None:
    """Whether it is what was written is for ``pagereeve verify`` to say: that takes as long as reading all facts."""
    size, peaks = (0, 0) if row is None else (row.size, len(row.peaks.split()))
    if size != count or peaks != size.bit_count():
        raise DamagedSeal(
            path,
            f"its seal is damaged: it names {size} facts, and {count} are sealed. pagereeve verify says what else "
            "is wrong; put a copy of the journal back",
        )


def read_state_of(connection: Connection) -> SealState:
    with connection.begin():
        return read_state(connection)


def read_state(connection: Connection) -> SealState:
    row = connection.execute(_STATE).one()
    peaks = [bytes.fromhex(peak) for peak in row.peaks.split()]
    return SealState(row.origin, Frontier(row.size, peaks))


def _columns(one: SealedFact) -> dict[str, Any]:
    return {
        "position": one.position,
        "printer": one.printer,
        "seq": one.seq,
        "link": one.link,
        "openings": one.openings,
    }


def _older(connection: Connection, first: int) -> list[tuple[str, int, str, str]]:
    """The next of the facts that were there before, in the order in which they were stored; no gap is left."""
    rows = connection.execute(_OLDER.where(_FACT.place >= first).limit(SLICE_FACTS)).all()
    moved = [{"was": row.place, "now": place} for place, row in enumerate(rows, first) if row.place != place]
    if moved:
        connection.execute(_PLACED, moved)
    return [(row.printer, row.seq, row.kind, row.body) for row in rows]
