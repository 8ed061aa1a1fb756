"""The codec against random input, and against pysnmp and pyasn1 as an independent second opinion."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pyasn1.type import univ
from pysnmp.proto import api, rfc1902

from pagereeve.meters.discovery.objects import life_count, pins_of
from pagereeve.meters.sighting import MeterSighting
from pagereeve.meters.snmp.ber import (
    COUNTER32,
    COUNTER64,
    GAUGE32,
    INTEGER,
    IP_ADDRESS,
    OBJECT_ID,
    OCTET_STRING,
    TIME_TICKS,
    DecodeError,
    Varbind,
    conforms,
    integer,
    number,
    object_id,
    octets,
    oid_arcs,
    oid_bytes,
    oid_label,
)
from pagereeve.meters.snmp.message import GET, GET_NEXT, Response, four_octet_id, read_head, read_response, template
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.stats import MeterStats
from tests.snmp_agents import MibAgent, printer_mib

V2C = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
V1 = api.PROTOCOL_MODULES[api.SNMP_VERSION_1]

ARCS = st.lists(st.integers(0, 2**32 - 1), min_size=0, max_size=20)
OIDS = st.tuples(st.sampled_from([0, 1, 2]), st.integers(0, 39), ARCS).map(
    lambda parts: ".".join(map(str, (parts[0], parts[1], *parts[2])))
)


def values() -> st.SearchStrategy[tuple[object, int, object]]:
    """A value as pysnmp holds it, the tag it must have, and the value as plain Python."""
    return st.one_of(
        st.integers(-(2**31), 2**31 - 1).map(lambda v: (rfc1902.Integer32(v), INTEGER, v)),
        st.integers(0, 2**32 - 1).map(lambda v: (rfc1902.Counter32(v), COUNTER32, v)),
        st.integers(0, 2**32 - 1).map(lambda v: (rfc1902.Gauge32(v), GAUGE32, v)),
        st.integers(0, 2**32 - 1).map(lambda v: (rfc1902.TimeTicks(v), TIME_TICKS, v)),
        st.integers(0, 2**64 - 1).map(lambda v: (rfc1902.Counter64(v), COUNTER64, v)),
        st.binary(max_size=300).map(lambda v: (rfc1902.OctetString(v), OCTET_STRING, v)),
        st.binary(min_size=4, max_size=4).map(lambda v: (rfc1902.IpAddress(v), IP_ADDRESS, v)),
        OIDS.map(lambda v: (rfc1902.ObjectName(v), OBJECT_ID, v)),
    )


def plain(varbind: Varbind) -> object:
    if varbind.tag == OBJECT_ID:
        return object_id(varbind)
    if varbind.tag == OCTET_STRING:
        return octets(varbind)
    return varbind.content if varbind.tag == IP_ADDRESS else number(varbind)


@given(st.integers(1, 2**31 - 1), st.integers(0, 18), st.lists(st.tuples(OIDS, values()), max_size=12))
@settings(max_examples=200, deadline=None)
def test_what_pysnmp_writes_is_read_as_meant(
    request_id: int, status: int, listed: list[tuple[str, tuple[object, int, object]]]
) -> None:
    pdu = V2C.GetResponsePDU()
    V2C.apiPDU.set_defaults(pdu)
    V2C.apiPDU.set_request_id(pdu, request_id)
    V2C.apiPDU.set_error_status(pdu, status)
    V2C.apiPDU.set_varbinds(pdu, [(oid, value) for oid, (value, _, _) in listed])
    message = V2C.Message()
    V2C.apiMessage.set_defaults(message)
    V2C.apiMessage.set_community(message, "public")
    V2C.apiMessage.set_pdu(message, pdu)
    response = read_response(encoder.encode(message))
    assert (response.request_id, response.error_status) == (request_id, status)
    assert [(oid_label(found.oid), found.tag, plain(found)) for found in response.varbinds] == [
        (oid, tag, meant) for oid, (_, tag, meant) in listed
    ]
    # pyasn1 0.6 takes an octet too many for -128 and its like; everything else it writes in the shortest form.
    numbers = [found for found in response.varbinds if found.tag in {INTEGER, COUNTER32, COUNTER64}]
    assert all(conforms(found) for found in numbers if number(found) >= 0)


@given(
    st.sampled_from(["1", "2c"]),
    st.text(max_size=40),
    st.sampled_from([GET, GET_NEXT]),
    st.lists(OIDS, min_size=1, max_size=40),
    st.integers(1, 2**31 - 1),
)
@settings(max_examples=200, deadline=None)
def test_pysnmp_reads_our_requests_and_writes_the_same_bytes(
    version: str, community: str, pdu_tag: int, oids: list[str], drawn: int
) -> None:
    ours = template("1" if version == "1" else "2c", community, pdu_tag, [oid_bytes(oid) for oid in oids])
    data = ours.datagram(four_octet_id(drawn))
    module = V1 if version == "1" else V2C
    message, rest = decoder.decode(data, asn1Spec=module.Message())
    assert rest == b""
    assert bytes(module.apiMessage.get_community(message)) == community.encode()
    pdu = module.apiMessage.get_pdu(message)
    assert isinstance(pdu, module.GetRequestPDU if pdu_tag == GET else module.GetNextRequestPDU)
    assert int(module.apiPDU.get_request_id(pdu)) == four_octet_id(drawn)
    assert [str(oid) for oid, _ in module.apiPDU.get_varbinds(pdu)] == oids
    assert encoder.encode(message) == data


@given(st.integers(-(2**63), 2**63 - 1))
def test_pyasn1_reads_our_integers_and_writes_none_shorter(value: int) -> None:
    # pyasn1 0.6 itself takes an octet too many for -128 and its like, so the bytes need not be equal.
    data = integer(value)
    assert int(decoder.decode(data)[0]) == value
    assert len(data) <= len(encoder.encode(univ.Integer(value)))


@given(OIDS)
def test_object_ids_are_written_as_pyasn1_writes_them_and_come_back(oid: str) -> None:
    content = oid_bytes(oid)
    assert encoder.encode(univ.ObjectIdentifier(oid))[2:] == content
    assert ".".join(map(str, oid_arcs(content))) == oid


@given(st.binary(max_size=400))
@settings(max_examples=500)
def test_any_bytes_give_a_response_or_a_decode_error(data: bytes) -> None:
    read_or_refuse(data)


PINS = pins_of(1, (1, 1), [life_count((1, 1))])


def read_or_refuse(data: bytes) -> Response | DecodeError:
    try:
        response = read_response(data)
    except DecodeError as error:
        return error
    refused = 0
    for found in response.varbinds:
        oid_label(found.oid)
        for reader in (number, octets, object_id):
            try:
                reader(found)
            except DecodeError:
                refused += 1
    assert refused >= 2 * len(response.varbinds)
    values = {found.oid: found for found in response.varbinds}
    sighting = MeterSighting(PINS, values, "192.0.2.1:161", MeterStats())
    assert isinstance(sighting.object_id, str)
    assert isinstance(sighting.foreign, bool)
    try:
        sight = sighting.sight()
    except (DecodeError, ReadEnded):
        return response
    assert all(count.value >= 0 for _, count in sight.counts)
    return response


def mutated(data: bytes, random: Random) -> bytes:
    changed = bytearray(data)
    for _ in range(random.randint(1, 4)):
        at = random.randrange(len(changed))
        match random.randrange(4):
            case 0:
                changed[at] = random.randrange(256)
            case 1:
                changed[at] ^= 1 << random.randrange(8)
            case 2:
                del changed[at]
            case _:
                changed.insert(at, random.randrange(256))
    return bytes(changed[: random.randint(0, len(changed))]) if random.random() < 0.1 else bytes(changed)


def test_mutated_answers_give_only_readings_or_named_refusals() -> None:
    # In small; the target is none of 500,000.
    random = Random(20)
    request = template("2c", "public", GET, PINS.names).datagram(2**24)
    good = MibAgent(printer_mib()).answer(request)
    assert good is not None
    results = [read_or_refuse(mutated(good, random)) for _ in range(20_000)]
    refused = sum(isinstance(result, DecodeError) for result in results)
    assert 0 < refused < len(results)


def test_mutated_answers_never_break_the_reading_of_heads() -> None:
    random = Random(21)
    request = template("2c", "public", GET, PINS.names).datagram(2**24)
    read = refused = 0
    for _ in range(5_000):
        try:
            read += isinstance(read_head(mutated(request, random), GET).request_id, int)
        except DecodeError:
            refused += 1
    assert read + refused == 5_000
    assert min(read, refused) > 0
