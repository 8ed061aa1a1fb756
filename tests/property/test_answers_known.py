"""What is remembered of a printer's last answer changes nothing: each is read as if it were the first."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.meters.snmp.ber import COUNTER32, OCTET_STRING, SEQUENCE, TIME_TICKS, DecodeError, integer, tlv
from pagereeve.meters.snmp.message import GET, RESPONSE, Heads, read_head, read_response, template

NAMES = [bytes((43, 6, 1, 2, 1, number)) for number in range(6)]
ASKED = template("2c", "public", GET, NAMES)
Answer = TypeVar("Answer")


def answer(request_id: int, uptime: int, contents: list[bytes], status: int = 0, community: bytes = b"public") -> bytes:
    values = [tlv(TIME_TICKS, uptime.to_bytes(4, "big")), *(tlv(COUNTER32, content) for content in contents)]
    rows = [tlv(SEQUENCE, tlv(0x06, name) + value) for name, value in zip(NAMES, values, strict=False)]
    body = integer(request_id) + integer(status) + integer(0) + tlv(SEQUENCE, b"".join(rows))
    return tlv(SEQUENCE, integer(1) + tlv(OCTET_STRING, community) + tlv(RESPONSE, body))


IDS = st.integers(1, 2**31 - 1)
ANSWERS = st.builds(
    answer,
    IDS,
    st.integers(0, 2**32 - 1),
    st.lists(st.sampled_from([b"\x05", b"\x06", b"\x01\x00", b""]), max_size=7),
    st.sampled_from([0, 0, 0, 2, 5]),
    st.sampled_from([b"public", b"public", b"publiq", b""]),
)


@st.composite
def changed(draw: st.DrawFn) -> bytes:
    """An answer, sometimes with an octet changed, one more, or an end cut off."""
    data = bytearray(draw(ANSWERS))
    for _ in range(draw(st.integers(0, 2))):
        if not data:
            break
        at = draw(st.integers(0, len(data) - 1))
        match draw(st.integers(0, 2)):
            case 0:
                data[at] = draw(st.integers(0, 255))
            case 1:
                data.insert(at, draw(st.integers(0, 255)))
            case _:
                del data[at:]
    return bytes(data)


def came(read: Callable[[], Answer]) -> Answer | str:
    try:
        return read()
    except DecodeError as error:
        return str(error)


@given(st.lists(changed(), max_size=12))
def test_heads_are_read_as_if_none_had_been_before(datagrams: list[bytes]) -> None:
    heads = Heads()
    for data in [*datagrams, *datagrams]:
        assert came(lambda data=data: heads.read(data)) == came(lambda data=data: read_head(data))  # type: ignore[misc]


@given(st.lists(changed(), max_size=12))
def test_answers_are_read_as_if_none_had_been_before(datagrams: list[bytes]) -> None:
    for data in [*datagrams, *datagrams]:
        opened = came(lambda data=data: ASKED.open(data, read_head(data)))  # type: ignore[misc]
        assert opened == came(lambda data=data: read_response(data))  # type: ignore[misc]
