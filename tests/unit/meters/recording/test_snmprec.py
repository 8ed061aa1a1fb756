"""The form of a recording: what is written is read back, and what is none is refused by its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.meters.recording.snmprec import BadRecording, recorded_rows, recording_text
from pagereeve.meters.snmp.ber import (
    COUNTER32,
    COUNTER64,
    GAUGE32,
    INTEGER,
    IP_ADDRESS,
    NULL,
    OBJECT_ID,
    OCTET_STRING,
    TIME_TICKS,
    Varbind,
    number,
    oid_bytes,
)
from tests.integration.recorded import record_of
from tests.printers import PRINTERS

MAKER = "1.3.6.1.4.1.32473"


@pytest.mark.parametrize("name", PRINTERS)
def test_it_is_the_form_in_which_the_tests_keep_recordings(name: str, tmp_path: Path) -> None:
    mib = PRINTERS[name].mib
    path = tmp_path / "one.snmprec"
    path.write_text(record_of(mib))
    rows = recorded_rows(path)
    assert len(rows) == len(mib)
    assert recording_text(rows) == record_of(mib)


VALUES = (
    st.tuples(st.just(INTEGER), st.integers(-(2**31), 2**31 - 1))
    | st.tuples(st.sampled_from([COUNTER32, GAUGE32, TIME_TICKS]), st.integers(0, 2**32 - 1))
    | st.tuples(st.just(COUNTER64), st.integers(0, 2**64 - 1))
).map(lambda one: (one[0], one[1].to_bytes(one[1].bit_length() // 8 + 1, "big", signed=True)))
OCTETS = st.tuples(st.just(OCTET_STRING), st.binary(max_size=40)) | st.tuples(
    st.just(IP_ADDRESS), st.binary(min_size=4, max_size=4)
)
OTHERS = st.just((NULL, b"")) | st.just((OBJECT_ID, oid_bytes("1.3.6.1.4.1.4294967295.7")))


@given(st.lists(VALUES | OCTETS | OTHERS, min_size=1, max_size=12))
def test_what_is_written_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, given_values: list[tuple[int, bytes]]
) -> None:
    names = [oid_bytes(f"{MAKER}.{nth}") for nth, _ in enumerate(given_values)]
    rows = {name: Varbind(name, tag, content) for name, (tag, content) in zip(names, given_values, strict=True)}
    path = tmp_path_factory.mktemp("recordings") / "one.snmprec"
    path.write_text(recording_text(rows))
    back = recorded_rows(path)
    assert back.keys() == rows.keys()
    for name, one in rows.items():
        assert back[name].tag == one.tag
        if one.tag in {OCTET_STRING, IP_ADDRESS, NULL, OBJECT_ID}:
            assert back[name].content == one.content
        else:
            assert number(back[name]) == number(one)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "holds no object"),
        ("1.3.6.1.2.1.1.3.0|67|5\nno bars\n", "line 2: has no two bars"),
        ("1.3.6.1|65|-1\n", "line 1: -1 is out of the range of tag 65"),
        ("1.3.6.1|99|1\n", "line 1: 99 is no tag"),
        ("1.3.6.1|4x|0g\n", "line 1: "),
        ("9.9|2|1\n", "line 1: '9.9' is no object id"),
        ("1.3.6.1|2|1\n1.3.6.1|2|2\n", "line 2: 1.3.6.1 is there twice"),
    ],
)
def test_what_is_no_recording_is_refused_by_its_line(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "one.snmprec"
    path.write_text(text)
    with pytest.raises(BadRecording) as caught:
        recorded_rows(path)
    assert why in str(caught.value)


def test_a_text_may_stand_as_it_is_and_comments_count_for_nothing(tmp_path: Path) -> None:
    path = tmp_path / "one.snmprec"
    path.write_text("# a printer\n1.3.6.1.2.1.1.1.0|4|A | B\r\n1.3.6.1.2.1.1.9.0|64|192.0.2.7\n")
    rows = recorded_rows(path)
    assert [one.content for one in rows.values()] == [b"A | B", bytes((192, 0, 2, 7))]
