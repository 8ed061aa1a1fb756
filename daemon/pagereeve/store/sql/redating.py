"""Facts get another date, or are void: their rows say so from then on, and what was projected of them is dropped."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection, Row, Select, bindparam, delete, func, select, update

from pagereeve.domain.facts.facts import Redated, instant_us
from pagereeve.domain.facts.redating import REACH_US, concerned, redated_run
from pagereeve.store.records.batch import Numbered, Replacement
from pagereeve.store.records.checked_rows import Damage, signed_run
from pagereeve.store.records.fact_record import VOID_AT_US, fact_of, open_body
from pagereeve.store.sql import tables as schema

_FACT: Final = schema.fact.c
_RUN: Final = schema.open_run.c
READ_AT_ONCE: Final = 1_000
_MOVE: Final = (
    update(schema.fact)
    .where(_FACT.printer == bindparam("of"), _FACT.seq == bindparam("number"))
    .values(at_us=bindparam("at"), shift_us=bindparam("shift"))
)
_ANCHOR: Final = select(func.max(schema.segment.c.anchor_us))


def apply_redated(connection: Connection, numbered: Numbered) -> Replacement:
    """In the transaction that stores it, once it is stored; what is to be dropped of the rows of its timeline."""
    fact = numbered.filing.fact
    if not isinstance(fact, Redated):
        raise TypeError(f"{numbered.filing.kind} gives no facts another date")
    moves, damage = [], Damage()
    for rows in connection.execute(_stored_before(fact, numbered.seq)).partitions(READ_AT_ONCE):
        moves += [move for row in rows if (move := _move(row, fact, damage)) is not None]
    if moves:
        connection.execute(_MOVE, moves)
    _move_run(connection, fact, damage)
    from_us = min(fact.from_us, fact.from_us + (fact.by_us or 0)) - REACH_US
    before = _ANCHOR.where(schema.segment.c.printer == fact.printer, schema.segment.c.anchor_us < from_us)
    return Replacement(fact.printer, connection.execute(before).scalar())


def _stored_before(fact: Redated, seq: int) -> Select[Any]:
    """A source may have claimed another time for what our clock dated in the span: rows near it are looked at, too."""
    near = (_FACT.at_us >= fact.from_us - REACH_US, _FACT.at_us < fact.until_us + REACH_US)
    wanted = (_FACT.printer == fact.printer, _FACT.seq < seq, _FACT.shift_us.is_not(None))
    return select(*schema.CHECKED).where(*wanted, *near)


def _move(row: Row[Any], fact: Redated, damage: Damage) -> dict[str, Any] | None:
    known = damage.whole(row)
    # What is damaged stays where it is: nobody can say what our clock dated in it.
    if known is None or not concerned(known, fact):
        return None
    place = {"of": fact.printer, "number": row.seq}
    if fact.by_us is None:
        return {**place, "at": VOID_AT_US, "shift": None}
    shift_us = row.shift_us + fact.by_us
    return {**place, "at": instant_us(fact_of(row.body, shift_us)), "shift": shift_us}


def _move_run(connection: Connection, fact: Redated, damage: Damage) -> None:
    """What the meter does now is no fact yet: its row is written anew."""
    body = connection.execute(select(_RUN.body).where(_RUN.printer == fact.printer)).scalar()
    run = None if body is None else damage.run(fact.printer, body)
    if run is None or not concerned(run, fact):
        return
    if fact.by_us is None:
        connection.execute(delete(schema.open_run).where(_RUN.printer == fact.printer))
        return
    moved = signed_run(open_body(redated_run(run, fact.by_us)))
    connection.execute(update(schema.open_run).where(_RUN.printer == fact.printer).values(body=moved))
