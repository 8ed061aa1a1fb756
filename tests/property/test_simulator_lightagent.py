"""The light agent against pysnmp's own answers, and against noise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import api

from pagereeve.simulator.printer.model import ShownState
from pagereeve.simulator.snmp.answers import SnmpResponder
from pagereeve.simulator.snmp.light_agent import LightAgent, oid_content, oid_of
from pagereeve.simulator.snmp.mib import Oid, View, printer_rows

SHOWN = ShownState(
    life_count=4_294_967_295,
    power_on_count=128,
    unit_code=7,
    printer_status=3,
    device_status=2,
    marker_status=0,
    errors=("noPaper", "inputTrayMissing"),
    uptime_cs=2**31,
    serial="S" * 200,
    object_id=(1, 3, 6, 1, 4, 1, 32473, 7, 1),
    description="d",
)
ROWS = printer_rows(SHOWN, "p", 300, 2)
LIGHT = LightAgent("sim", ROWS)
REFERENCE = SnmpResponder("sim", lambda: View(ROWS))

oids = st.sampled_from([row.oid for row in ROWS]) | st.lists(st.integers(0, 2**28), min_size=1, max_size=20).map(
    lambda arcs: (1, 3, *arcs)
)


def asked(version: int, kind: str, names: list[Oid], request_id: int) -> bytes:
    module = api.PROTOCOL_MODULES[version]
    pdu = getattr(module, kind)()
    module.apiPDU.set_defaults(pdu)
    module.apiPDU.set_request_id(pdu, request_id)
    module.apiPDU.set_varbinds(pdu, [(name, module.Null("")) for name in names])
    message = module.Message()
    module.apiMessage.set_defaults(message)
    module.apiMessage.set_community(message, "sim")
    module.apiMessage.set_pdu(message, pdu)
    return bytes(encoder.encode(message))


@given(
    st.sampled_from([0, 1]),
    st.sampled_from(["GetRequestPDU", "GetNextRequestPDU"]),
    st.lists(oids, min_size=1, max_size=12),
    st.integers(1, 2**31 - 1),
)
def test_both_agents_give_the_same_answer_to_the_same_question(
    version: int, kind: str, names: list[Oid], request_id: int
) -> None:
    question = asked(version, kind, names, request_id)
    light, reference = LIGHT.answer(question), REFERENCE.answer(question)
    assert light is not None
    assert reference is not None
    module = api.PROTOCOL_MODULES[version]
    told = [decoder.decode(answer, asn1Spec=module.Message())[0].prettyPrint() for answer in (light, reference)]
    assert told[0] == told[1]


@given(st.binary(max_size=200))
def test_noise_is_refused_in_silence(noise: bytes) -> None:
    assert LIGHT.answer(noise) is None
    assert REFERENCE.answer(noise) is None


@given(st.binary(max_size=6), st.integers(0, 60), st.data())
def test_a_damaged_question_never_raises(damage: bytes, at: int, data: st.DataObject) -> None:
    question = asked(1, data.draw(st.sampled_from(["GetRequestPDU", "GetNextRequestPDU"])), [ROWS[3].oid], 77)
    for agent in (LIGHT, REFERENCE):
        assert isinstance(agent.answer(question[:at] + damage + question[at + len(damage) :]), bytes | None)
        assert isinstance(agent.answer(question[:at]), bytes | None)


@given(st.lists(st.integers(0, 2**32 - 1), max_size=20), st.integers(0, 39))
def test_an_oid_survives_its_encoding(arcs: list[int], second: int) -> None:
    assert oid_of(oid_content((1, second, *arcs))) == (1, second, *arcs)
