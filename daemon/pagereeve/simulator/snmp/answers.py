"""SNMP v1 and v2c answers by pysnmp's message layer: a datagram in, a datagram or nothing out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.simulator.snmp.mib import Oid, Row, View

NO_SUCH_NAME: Final = 2
READ_ONLY: Final = 4
NOT_WRITABLE: Final = 17
KINDS: Final = frozenset({"GetRequestPDU", "GetNextRequestPDU", "GetBulkRequestPDU", "SetRequestPDU"})
VARBINDS_MAX: Final = 128
REPETITIONS_MAX: Final = 64


@dataclass(slots=True)
class AgentCounts:
    """What reached an agent; ``refused`` are datagrams it cannot read or with a foreign community."""

    requests: int = 0
    answers: int = 0
    refused: int = 0
    unheard: int = 0
    overlapping: int = 0


class SnmpResponder:
    """Answers GET, GETNEXT and GETBULK from ``view``, which is asked once for each request, when it is answered."""

    def __init__(self, community: str, view: Callable[[], View]) -> None:
        # pysnmp is a heavy import; only a program that simulates pays for it.
        from pyasn1.codec.ber import decoder, encoder  # noqa: PLC0415 - see above
        from pyasn1.error import PyAsn1Error  # noqa: PLC0415 - see above
        from pysnmp.error import PySnmpError  # noqa: PLC0415 - see above
        from pysnmp.proto import api  # noqa: PLC0415 - see above

        self._api, self._decode, self._encode = api, decoder.decode, encoder.encode
        # pyasn1 lets plain errors of Python through where a datagram is broken enough.
        self._unreadable = (
            PyAsn1Error,
            PySnmpError,
            ArithmeticError,
            LookupError,
            TypeError,
            ValueError,
            AttributeError,
        )
        self._community = community.encode()
        self._view = view
        self.counts = AgentCounts()

    def answer(self, datagram: bytes) -> bytes | None:
        """The answer, or None where an agent stays silent: unreadable, unknown version, foreign community."""
        try:
            module = self._api.PROTOCOL_MODULES[self._api.decodeMessageVersion(datagram)]
            request, _ = self._decode(datagram, asn1Spec=module.Message())
            known = bytes(module.apiMessage.get_community(request)) == self._community
            asked = module.apiMessage.get_pdu(request)
            kind = type(asked).__name__
            known = known and kind in KINDS
            names = [tuple(oid) for oid, _ in module.apiPDU.get_varbinds(asked)] if known else []
        except self._unreadable:
            known, names = False, []
        if not known or len(names) > VARBINDS_MAX:
            self.counts.refused += 1
            return None
        self.counts.requests += 1
        response = module.apiMessage.get_response(request)
        self._fill(module, kind, asked, names, module.apiMessage.get_pdu(response))
        self.counts.answers += 1
        return bytes(self._encode(response))

    def _fill(self, module: Any, kind: str, asked: Any, names: list[Oid], pdu: Any) -> None:
        first_version = module is self._api.PROTOCOL_MODULES[self._api.SNMP_VERSION_1]
        if kind == "SetRequestPDU":
            self._fail(module, asked, pdu, READ_ONLY if first_version else NOT_WRITABLE, 1)
            return
        view = self._view()
        if kind == "GetRequestPDU":
            found = [(oid, view.get(oid)) for oid in names]
        elif kind == "GetBulkRequestPDU":
            found = _bulk(view, names, int(asked[1]), int(asked[2]))
        else:
            found = [_following(view, oid) for oid in names]
        missing = next((place for place, (_, row) in enumerate(found) if row is None), None)
        if first_version and missing is not None:
            self._fail(module, asked, pdu, NO_SUCH_NAME, missing + 1)
            return
        absent = "NoSuchInstance" if kind == "GetRequestPDU" else "EndOfMibView"
        module.apiPDU.set_varbinds(pdu, [(oid, _value(module, row, absent)) for oid, row in found])

    @staticmethod
    def _fail(module: Any, asked: Any, pdu: Any, status: int, index: int) -> None:
        module.apiPDU.set_varbinds(pdu, module.apiPDU.get_varbinds(asked))
        module.apiPDU.set_error_status(pdu, status)
        module.apiPDU.set_error_index(pdu, index)


def _following(view: View, oid: Oid) -> tuple[Oid, Row | None]:
    row = view.after(oid)
    return (oid, None) if row is None else (row.oid, row)


def _bulk(view: View, names: list[Oid], non_repeaters: int, repetitions: int) -> list[tuple[Oid, Row | None]]:
    """RFC 3416 section 4.2.3, bounded: a long answer ends early, as the section allows."""
    fixed = max(0, min(non_repeaters, len(names)))
    found = [_following(view, oid) for oid in names[:fixed]]
    repeated = names[fixed:]
    for _ in range(max(0, min(repetitions, REPETITIONS_MAX))):
        if not repeated or len(found) + len(repeated) > VARBINDS_MAX:
            break
        step = [_following(view, oid) for oid in repeated]
        found += step
        repeated = [oid for oid, _ in step]
        if all(row is None for _, row in step):
            break
    return found


def _value(module: Any, row: Row | None, absent: str) -> Any:
    if row is None:
        return getattr(module, absent)()
    match row.kind:
        case "octets":
            return module.OctetString(row.value)
        case "integer":
            return module.Integer(row.value)
        case "ticks":
            return module.TimeTicks(row.value)
        case "oid":
            return module.ObjectIdentifier(row.value)
        case "counter":
            return (module.Counter32 if hasattr(module, "Counter32") else module.Counter)(row.value)
