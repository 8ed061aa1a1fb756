"""RFC 5424 records: fields, severities, escapes, and where a record is cut."""

from __future__ import annotations

import re

import pytest

from pagereeve.domain.ledger import Severity
from pagereeve.receivers.syslog.syslog import framed
from pagereeve.receivers.syslog.text import (
    BOM,
    FACILITIES,
    RECORD_MAX_BYTES,
    RecordForm,
    cut,
    escaped,
    record_of,
    token,
)
from tests.notices import notice, over

FORM = RecordForm(host_name="pagehost", process_id="77")
# RFC 5424 section 6, its grammar as one expression: header, structured data, text.
GRAMMAR = re.compile(
    r"<(0|[1-9]\d{0,2})>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{1,6}Z) ([!-~]{1,255}) ([!-~]{1,48}) ([!-~]{1,128})"
    r' ([!-~]{1,32}) (\[[!#-<>-\\^-~]{1,32}(?: [!#-<>-\\^-~]{1,32}="(?:[^"\\\]]|\\.)*")*\]) \ufeff(.*)',
    re.DOTALL,
)


def fields(record: bytes) -> tuple[str, ...]:
    match = GRAMMAR.fullmatch(record.decode())
    assert match is not None, record
    return match.groups()


def test_a_record() -> None:
    head = (
        b"<130>1 2026-11-25T09:02:00.000000Z pagehost pagereeve 77 meter-silent "
        b'[pagereeve@32473 alert="a-5f0c9d7e21b4" nth="1" step="opened" severity="critical" subject="library-1" '
        b'printer="library-1" gateway="library-gw" since="2026-11-25T09:00:00.000000Z" findings="2"] '
    )
    text = (
        b"The meter of library-1 does not answer. Critical, since 2026-11-25 09:00:00 UTC. library-1 has not answered "
        b"since 09:00, and two releases needed its count. The pages of two releases can't be proved. 09:00:05 to "
        b"09:00:08: 1 read failed (timeout). 09:01:05: no answer. See whether the printer is on and its network cable "
        b"is in. pagereeve findings show f-0a1b2c3d4e5f."
    )
    assert record_of(notice(pages=None), FORM) == head + BOM + text


@pytest.mark.parametrize(
    ("severity", "facility", "priority"),
    [("critical", "local0", 130), ("warning", "local0", 132), ("info", "local7", 190), ("critical", "kern", 2)],
)
def test_priorities(severity: Severity, facility: str, priority: int) -> None:
    record = record_of(notice(severity=severity), RecordForm(facility=FACILITIES[facility]))
    assert fields(record)[0] == str(priority)


def test_what_is_over_is_a_notice_whatever_it_was() -> None:
    assert fields(record_of(over(), FORM))[0] == "133"
    assert 'until="2026-11-25T09:03:00.000000Z"' in fields(record_of(over(), FORM))[6]


def test_the_worked_value_of_an_escape() -> None:
    assert escaped('a"b\\c]d') == 'a\\"b\\\\c\\]d'


def test_a_header_field_is_printable_ascii_or_nil() -> None:
    assert token("meter silent\n\x00é", 32) == "meter_silent_"
    assert token("", 32) == "-"
    assert token("x" * 40, 32) == "x" * 32
    assert fields(record_of(notice(kind="k" * 60), RecordForm()))[2:6] == ("-", "pagereeve", "-", "k" * 32)


@pytest.mark.parametrize("letter", ["a", '"', "]", "\\", "é", "打", "\U0001f5a8", "\n", "\u202e"])
def test_the_largest_message_is_whole_in_its_fields_and_cut_in_its_text(letter: str) -> None:
    members = ("alert", "subject", "printer", "gateway", "title", "what", "cost", "first", "command")
    message = over(**dict.fromkeys(members, letter * 3_000), evidence=(letter * 3_000,) * 5, pages=-(10**9))
    form = RecordForm(host_name="h" * 300, process_id="1" * 200, structured_id="p" * 26 + "@32473")
    record = record_of(message, form)
    text = fields(record)[7]
    assert len(record) <= RECORD_MAX_BYTES
    assert text
    assert text.isprintable()


def test_a_cut_never_parts_a_character() -> None:
    raw = "aé打\U0001f5a8".encode()
    assert [len(cut(raw, n)) for n in range(len(raw) + 2)] == [0, 1, 1, 3, 3, 3, 6, 6, 6, 6, 10, 10]


def test_a_frame_counts_octets() -> None:
    """RFC 6587 section 3.4.1."""
    assert framed("é".encode()) == b"2 \xc3\xa9"
