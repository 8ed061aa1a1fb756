"""The file of an archive: bodies come back exactly, and a damaged part is refused."""

from __future__ import annotations

import gzip
import hashlib
import io
import random

import pytest

from pagereeve.reports.facts_file import FactLine, read_lines
from pagereeve.store.records.archive_parts import (
    PART_FACTS_MAX,
    ArchivedBody,
    BadPart,
    can_be_archived,
    packed_part,
    readable_facts,
    unpacked_part,
)
from pagereeve.store.records.fact_record import file
from tests.journal_samples import NOON_US, read


def facts(count: int) -> list[ArchivedBody]:
    return [
        ArchivedBody(3 * nth + 1, file(read(10 + nth, at_us=NOON_US + nth * 61_000_000)).body) for nth in range(count)
    ]


def digest(packed: bytes) -> str:
    return hashlib.sha256(packed).hexdigest()


def test_bodies_come_back_to_the_byte_and_any_tool_reads_the_file(tmp_path: object) -> None:
    known = facts(200)
    packed = packed_part(known)
    assert unpacked_part(packed, digest(packed)) == known
    assert packed_part(known) == packed, "the same facts give the same bytes"
    two = gzip.decompress(packed + packed)
    assert two.count(b"\n") == 400
    assert len(packed) < len(gzip.decompress(packed)) / 8


def test_an_unpacked_file_is_a_file_of_facts(tmp_path: object) -> None:
    known = facts(3)
    lines = list(read_lines(io.BytesIO(gzip.decompress(packed_part(known)))))
    assert [line.seq for line in lines if isinstance(line, FactLine)] == [1, 4, 7]
    assert [file(line.fact).body for line in lines if isinstance(line, FactLine)] == [one.body for one in known]


def test_a_damaged_part_is_refused_and_what_can_be_read_of_it_is_no_other_fact() -> None:
    known = facts(500)
    packed = packed_part(known)
    rng = random.Random(7)
    cut_short = 0
    for _ in range(60):
        damaged = bytearray(packed)
        damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        with pytest.raises(BadPart, match="digest"):
            unpacked_part(bytes(damaged), digest(packed))
        came = list(readable_facts(bytes(damaged)))
        cut_short += len(came) < len(known)
    assert cut_short
    half = list(readable_facts(packed[: len(packed) // 2]))
    assert half
    assert half == known[: len(half)]


def test_a_part_has_limits() -> None:
    one = facts(1)[0]
    with pytest.raises(BadPart, match="more than a part holds"):
        packed_part([one] * (PART_FACTS_MAX + 1))
    with pytest.raises(BadPart, match="more than a part holds"):
        packed_part([ArchivedBody(1, '{"a":"' + "x" * 2**24 + '"}')])
    # What swells beyond the limit is read no further.
    swollen = gzip.compress(b'{"a":1,"seq":1}\n' * 2**21)
    assert sum(1 for _ in readable_facts(swollen)) <= 2**20 + 1


@pytest.mark.parametrize(
    ("body", "can"),
    [('{"a":1}', True), ("{}", False), ('{"a":\n1}', False), ("\0ab", False), ('{"a":"\udcff"}', False)],
)
def test_only_what_comes_back_is_archived(body: str, *, can: bool) -> None:
    assert can_be_archived(body) is can
