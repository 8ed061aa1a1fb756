"""SNMPv3 authPriv reads (SHA-256, AES-128) for each second of processor time: ours, pysnmp's, the C API's.

    python contrib/bench/usm_read.py [--rounds 5] [--seconds 1.5] [--in-flight 50] [--uvloop]

As meter_read.py, which holds what both have in common: one process plays all agents, another reads, the sides in
turn. Only ratios mean anything. The targets: 30 x pysnmp, at most twice the processor time of net-snmp's C API.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import socket
from multiprocessing.connection import Connection
from typing import Any

from meter_read import (
    OURS,
    Round,
    c_side,
    found,
    listed,
    names_in,
    our_reads,
    pysnmp_read,
    rounds_of,
    run_both,
    side,
)

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp import message3, usm
from pagereeve.meters.snmp.ber import integer, read_tlv, tlv
from pagereeve.meters.snmp.message import RESPONSE, Head, pdu_of, small
from pagereeve.meters.snmp.message3 import REPORT, Security
from pagereeve.meters.snmp.session3 import UNKNOWN_ENGINE, Report, Session3
from pagereeve.ports.meter import MeterTarget, UsmUser

TARGETS = {"asyncio": 30.0, "uvloop": 30.0}
C_SHARE_MAX = 2.0
USER = UsmUser("bench", "sha256", "an-invented-password", "aes", "another-invented-one")


class Agent:
    """One printer's engine. It trusts whoever has the key, and never looks at the clock."""

    def __init__(self, host: str) -> None:
        self.engine_id = b"\x80\x00\x7e\xd9\x04" + host.encode()
        self._session = Session3(USER, SystemClock(), hash(host) % 2**63)
        self._session.meet(Report(UNKNOWN_ENGINE, self.engine_id, 3, 1000, authentic=False))
        self._keys = usm.keys_of(USER, self.engine_id)
        self._known: dict[bytes, bytes] = {}

    def answer(self, data: bytes) -> bytes:
        message = message3.decode(data)
        security = message.security
        if not security.engine_id:
            pdu = pdu_of(REPORT, [UNKNOWN_ENGINE]).datagram(message.message_id)
            told = Security(self.engine_id, 3, 1000, b"", b"", b"")
            return message3.encode(message.message_id, 0, told, message3.scoped_pdu(self.engine_id, b"", pdu))[0]
        secret = message3.ciphertext_in(message.data)
        plain = usm.decrypt("aes", self._keys.privacy, security.boots, security.time_s, security.salt, secret)
        return self._session.sealed(message.message_id, self._pdu(plain, message3.pdu_in(plain)))

    def _pdu(self, plain: bytes, at: int) -> bytes:
        tag, at, end = read_tlv(plain, at, len(plain))
        request_id, at = small(plain, at, end, "request id")
        asked = bytes((tag,)) + plain[at:end]
        if asked not in self._known:
            names = names_in(plain, Head(request_id, at, end, 3))
            self._known[asked] = listed([found(tag, name) for name in names])
        return tlv(RESPONSE, integer(request_id) + integer(0) + integer(0) + self._known[asked])


def serve(hosts: list[str], pipe: Connection) -> None:
    """The agents' process: one socket for every printer, all on one port."""
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})

    async def run() -> None:
        port = 0
        for host in hosts:
            listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            listening.settimeout(0)
            listening.bind((host, port))
            port = listening.getsockname()[1]
            asyncio.get_running_loop().add_reader(listening, drain, listening, Agent(host))
        pipe.send(port)
        await asyncio.Event().wait()

    def drain(listening: socket.socket, agent: Agent) -> None:
        while True:
            try:
                data, source = listening.recvfrom(4096)
            except BlockingIOError:
                return
            listening.sendto(agent.answer(data), source)

    asyncio.run(run())


def credentials(v3arch: Any) -> Any:
    return v3arch.UsmUserData(
        USER.name,
        authKey=USER.auth_password,
        authProtocol=v3arch.usmHMAC192SHA256AuthProtocol,
        privKey=USER.priv_password,
        privProtocol=v3arch.usmAesCfb128Protocol,
    )


async def compare(hosts: list[str], port: int, options: argparse.Namespace) -> list[Round]:
    meter = SnmpMeter.of(SystemClock(), SystemEntropy())
    targets = [MeterTarget(printer=host, host=host, port=port, version="3", user=USER) for host in hosts]
    with c_side(port, options, "3") as c_sides:
        ours = side(OURS, our_reads(meter, targets), options.in_flight)
        theirs = side("pysnmp", await pysnmp_read(hosts, port, credentials), options.in_flight)
        rounds = await rounds_of([ours, theirs, *c_sides], options)
    print(f"refused {dict(meter.stats.refused)}, retries {meter.stats.retries}")
    await meter.close()
    return rounds


if __name__ == "__main__":
    raise SystemExit(run_both(__doc__, serve, compare, TARGETS, C_SHARE_MAX))
