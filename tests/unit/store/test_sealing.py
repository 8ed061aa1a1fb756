"""What is sealed of a row, to the byte: the digests stand in journals and with those who keep heads."""

from __future__ import annotations

import hashlib
import itertools

from pagereeve.store.records.fact_record import file
from pagereeve.store.records.sealing import SealState, content_of, new_content, seal, seal_filed
from tests.journal_samples import ended, started

ORIGIN = "0123456789abcdef" * 2
# Two links and the head, computed apart from the table in domain/seal/README.md.
FIXED = (
    "287923ad27007c2d0adc925dc2bbd2bdefea9f68dccdd3ea7083589b9705bd8d",
    "f831bfef90dfbdabc94fff07fec5af1f8844174e009b876d76f12ed87e11a9ed",
    "078db8709ab07c54b0d876721cdf9df6b8937b506faed4a10609f0677cc6883a",
)


def salts(count: int) -> bytes:
    return bytes(itertools.islice(itertools.count(), count))


def test_the_head_of_two_facts_is_what_it_was() -> None:
    """Fixed bytes: a round trip alone would pass a form that changed on both sides."""
    records = [file(started("e-1")), file(ended("e-2", "release-e-1", "printer-a"))]
    rows = [(one.printer, seq, one.kind, one.body) for seq, one in enumerate(records, 1)]
    state = SealState(ORIGIN)
    first, second = seal(state, rows, lambda _: None, salts)
    assert first.openings == f"{bytes(range(16)).hex()} {bytes(range(16, 32)).hex()}"
    assert second.openings == ""
    links = (first.link.hex(), second.link.hex())
    assert (*links, state.tree.head().hex()) == FIXED
    filed = SealState(ORIGIN)
    assert seal_filed(filed, enumerate(records, 1), lambda _: None, salts) == [first, second]
    assert (filed.tree.head().hex(), records[0].spans is None) == (FIXED[2], False)


def test_a_fact_without_personal_members_is_sealed_as_its_body_stands() -> None:
    record = file(ended("e-2", "release-e-1", "printer-a"))
    content, openings = new_content(record.body, record.kind, salts)
    assert (content, str(openings)) == (record.body.encode(), "")
    assert content_of(record.body, "") == content
    assert content_of(record.body, "00" * 16) is None


def test_what_an_older_version_did_not_know_as_personal_is_sealed_in_clear() -> None:
    record = file(started("e-1"))
    content, openings = new_content(record.body, record.kind, salts)
    assert content_of(record.body, str(openings)) == content
    assert b"owner-1" not in content
    fewer = content_of(record.body, str(openings).split()[0])
    assert fewer is not None
    assert b"owner-1" not in fewer
    assert b"job-1" in fewer
    assert hashlib.sha256(fewer).digest() != hashlib.sha256(content).digest()
    assert content_of(record.body, f"{openings} {'00' * 16}") is None


def test_what_cant_be_read_is_sealed_as_it_is() -> None:
    for body in ("no JSON", "[]", "null", '{"fact":"event"}', "\udcff"):
        content, openings = new_content(body, "pagereeve.release.started.v1", salts)
        assert content == body.encode(errors="surrogateescape")
        assert content_of(body, str(openings)) == content
