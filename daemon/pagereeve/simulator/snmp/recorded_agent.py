"""A recorded printer on a real UDP socket: it answers what was recorded, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from pagereeve.simulator.snmp.agent import DatagramDoor
from pagereeve.simulator.snmp.light_agent import INTEGER, KINDS, OCTETS, OID, LightAgent, oid_of
from pagereeve.simulator.snmp.mib import Row

ADDRESS = 0x40


class RecordedAgent(DatagramDoor):
    """``objects`` are (encoded name, BER tag, encoded value); one of another tag than SNMP's is left out."""

    def __init__(self, objects: Iterable[tuple[bytes, int, bytes]], community: str = "public") -> None:
        super().__init__()
        self._agent = LightAgent(community, _rows(objects))

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if (answer := self._agent.answer(data)) is not None:
            self.send(answer, addr)


def _rows(objects: Iterable[tuple[bytes, int, bytes]]) -> Iterator[Row]:
    for name, tag, content in objects:
        if tag not in KINDS:
            continue
        if tag == OID:
            yield Row(oid_of(name), KINDS[tag], oid_of(content))
        elif tag in {OCTETS, ADDRESS}:
            yield Row(oid_of(name), KINDS[tag], content)
        else:
            yield Row(oid_of(name), KINDS[tag], int.from_bytes(content, "big", signed=tag == INTEGER))
