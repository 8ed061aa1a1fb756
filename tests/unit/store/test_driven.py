"""What goes to the driver past SQLAlchemy's own execution is, value by value, what SQLAlchemy would have said."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, Engine, bindparam, create_engine, delete, event, func, select, update
from sqlalchemy.exc import IntegrityError, OperationalError

from pagereeve.store.records.checked_rows import digest_text
from pagereeve.store.records.fact_record import file
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from pagereeve.store.sql.driven import Driven, DrivenList
from pagereeve.store.sql.straight import begun, require_open, written
from tests.journal_samples import started

FACT = schema.fact.c
COUNT = 11


@pytest.fixture
def engine() -> Engine:
    made = create_engine("sqlite://")
    event.listen(made, "connect", lambda raw, _: setattr(raw, "isolation_level", None))
    event.listen(made, "begin", lambda connection: begun(connection, "BEGIN IMMEDIATE"))
    event.listen(made, "commit", require_open)
    schema.metadata.create_all(made)
    return made


@pytest.fixture
def connection(engine: Engine) -> Iterator[Connection]:
    """With facts, and within a transaction."""
    with engine.begin() as connection:
        for seq in range(1, COUNT + 1):
            record = file(started(f"event-{seq}"))
            row = {"printer": "Küche 2", "seq": seq, "place": seq, "kind": record.kind, "at_us": record.at_us}
            row |= {"source": "urn:x", "event_id": f"event-{seq}", "release": None}
            Adding(schema.fact).add(connection, [{**row, "body": record.body, "digest": digest_text(record)}])
        yield connection


def test_rows_are_those_that_sqlalchemy_reads(connection: Connection) -> None:
    statement = select(*schema.CHECKED, FACT.release).where(FACT.seq >= bindparam("from_seq")).order_by(FACT.seq)
    for from_seq in (1, COUNT, COUNT + 1):
        theirs = connection.execute(statement, {"from_seq": from_seq}).all()
        ours = Driven(statement).rows(connection, {"from_seq": from_seq})
        assert [one._asdict() for one in ours] == [one._asdict() for one in theirs]
        assert len(ours) == COUNT + 1 - from_seq


def test_what_the_statement_itself_fixes_need_not_be_given(connection: Connection) -> None:
    newest = select(FACT.seq).where(FACT.printer == bindparam("printer"), FACT.at_us > 1).order_by(FACT.seq.desc())
    driven = Driven(newest.limit(1))
    assert [one.seq for one in driven.rows(connection, {"printer": "Küche 2"})] == [COUNT]
    assert driven.rows(connection, {"printer": "another"}) == ()


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, COUNT])
def test_a_list_of_any_length_finds_the_same(connection: Connection, count: int) -> None:
    by_source = select(FACT.event_id, FACT.seq, FACT.digest).where(schema.sent_by(bindparam("source")))
    wanted = [f"event-{seq}" for seq in range(COUNT - count + 2, COUNT + 2)]
    listed = by_source.where(FACT.event_id.in_(wanted)).order_by(FACT.seq)
    theirs = connection.execute(listed, {"source": "urn:x"}).all()
    ours = DrivenList(by_source.order_by(FACT.seq), FACT.event_id)
    found = ours.rows(connection, {"source": "urn:x"}, wanted)
    assert [tuple(one) for one in found] == [tuple(one) for one in theirs]
    assert len(found) == count - 1
    assert ours.rows(connection, {"source": "urn:y"}, wanted) == ()


def test_a_list_has_few_texts(connection: Connection) -> None:
    ours = DrivenList(select(FACT.seq), FACT.event_id)
    for count in range(1, 300):
        assert len(ours.rows(connection, {}, [f"event-{seq}" for seq in range(1, count + 1)])) == min(count, COUNT)
    assert len(ours._made) == 10


def test_rows_are_changed_and_dropped(connection: Connection) -> None:
    count = select(func.count()).select_from(schema.fact)
    drop = Driven(delete(schema.fact).where(FACT.seq == bindparam("gone")))
    drop.run_all(connection, [])
    assert connection.execute(count).scalar() == COUNT
    drop.run_all(connection, [{"gone": 1}, {"gone": 2}])
    Driven(update(schema.fact).values(kind=bindparam("now"))).run(connection, {"now": "other"})
    assert connection.execute(count.where(FACT.kind == "other")).scalar() == COUNT - 2


def test_errors_are_sqlalchemys_and_hold_no_value(connection: Connection) -> None:
    row = {"printer": "secret", "seq": 1, "kind": "k", "at_us": 1, "body": "b", "digest": None, "place": 1}
    with pytest.raises(IntegrityError) as refused:
        Adding(schema.fact).add(connection, [row, row])
    assert "secret" not in str(refused.value)
    with pytest.raises(IntegrityError):
        written(connection, "UPDATE fact SET kind = NULL", ())
    with pytest.raises(OperationalError):
        begun(connection, "BEGIN IMMEDIATE")


def test_nothing_is_written_where_sqlite_ended_the_transaction_by_itself(engine: Engine) -> None:
    with engine.connect() as connection:
        transaction = connection.begin()
        raw = connection.connection.driver_connection
        assert raw is not None
        raw.execute("ROLLBACK")
        with pytest.raises(sqlite3.OperationalError, match="rolled back before its end"):
            Adding(schema.finding_change).add(connection, [{"finding": "f-2"}])
        with pytest.raises(sqlite3.OperationalError, match="rolled back before its end"):
            transaction.commit()
        assert raw.execute("SELECT count(*) FROM finding_change").fetchone() == (0,)
