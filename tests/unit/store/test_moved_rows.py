"""A row on its way into another database: nothing is lost, nothing damaged is made whole; every table is decided on."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.store.records.moved_rows import RowsSum, storable_row, storable_text
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.moved_tables import FOLLOWING, LEFT, MOVED, ODD_MAY_BE

# As SQLite's texts come: UTF-8, with octets that are none kept (PEP 383).
OCTETS = st.lists(st.sampled_from([b"\0", b"\\", b"\xff", b"\x80", b"x00", b"xff", b"a", "ü".encode(), b'"', b"{}"]))
TEXTS = OCTETS.map(lambda octets: b"".join(octets).decode(errors="surrogateescape"))


def is_taken(text: str) -> bool:
    """By PostgreSQL's text in UTF-8."""
    return "\0" not in text and text.encode(errors="replace").decode() == text


def back(text: str) -> str:
    """What a text was before its octets were written out."""
    octets, rest = bytearray(), text
    while rest:
        if rest.startswith("\\\\"):
            octets += b"\\"
            rest = rest[2:]
        elif rest.startswith("\\x"):
            octets.append(int(rest[2:4], 16))
            rest = rest[4:]
        else:
            octets += rest[0].encode()
            rest = rest[1:]
    return octets.decode(errors="surrogateescape")


@given(TEXTS)
def test_what_is_taken_stays_and_what_is_not_comes_back_whole(text: str) -> None:
    stored = storable_text(text)
    assert is_taken(stored)
    if is_taken(text):
        assert stored == text
    else:
        assert stored != text
        assert back(stored) == text


@given(st.sampled_from(['{"a":"%s"}', '["\\\\%s"]', '"\\%s"', "%s", '{"%s":1}', "7 %s"]), TEXTS)
def test_what_could_not_be_taken_never_becomes_json(form: str, inner: str) -> None:
    text = form.replace("%s", inner)
    if not is_taken(text):
        with pytest.raises(ValueError, match=r"Invalid|Expecting|Extra|escape"):
            json.loads(storable_text(text))


def test_only_texts_are_looked_at() -> None:
    assert storable_row((1, None, b"\0\xff", "a\0")) == (1, None, b"\0\xff", "a\\x00")


def test_sums_are_equal_for_equal_rows_in_any_order_alone() -> None:
    rows: list[tuple[object, ...]] = [("p", number, None, b"\x01", "ü") for number in range(50)]
    one, other = RowsSum(), RowsSum()
    for row in rows:
        one.add(row)
    for row in random.Random(7).sample(rows, len(rows)):
        other.add(list(row))
    assert one == other == RowsSum.of(50, one.digest)
    for changed in (rows[:-1], [*rows, rows[0]], [*rows[:-1], ("p", 49, "", b"\x01", "ü")], [*rows[:-1], rows[0]]):
        differing = RowsSum()
        for row in changed:
            differing.add(row)
        assert differing != one
    with pytest.raises(TypeError):
        one.add((1.5j,))


def test_every_table_is_decided_on_once() -> None:
    decided = [*(one.name for one in MOVED), *LEFT]
    assert len(decided) == len(set(decided))
    assert set(decided) == {table.name for table in schema.metadata.sorted_tables}


def test_tables_come_after_those_that_they_refer_to_and_the_seal_comes_last() -> None:
    order = [one.name for one in MOVED]
    for one in MOVED:
        for key in one.table.foreign_keys:
            assert order.index(key.column.table.name) < order.index(one.name)
    # What a trigger would note for a closed period is there before it, its parts too; its notes come after it.
    closed = order.index("closed_period")
    assert all(order.index(name) < closed for name in ("fact", "charge", "stretch", "closed_part"))
    assert order.index("archive_part") < order.index("archive"), "nothing is added to a file that is recorded"
    assert closed < order.index("closed_touched")
    assert order[-1] == "seal"


def test_nothing_is_looked_up_by_a_column_that_may_be_odd() -> None:
    for one in MOVED:
        keys = {column.name for column in one.table.primary_key} | {
            column.name for index in one.table.indexes for column in index.columns
        }
        assert keys & ODD_MAY_BE <= ({"digest"} if one.name == "conflict" else set())
    assert "fact" not in FOLLOWING
    assert "charge" in FOLLOWING
