"""What strangers and broken agents send in the place of answers: refused, counted, and cheap.

    python contrib/bench/hostile_answers.py [--mutated 500000] [--burst 500] [--forged 20]

Three trials. Mutated answers are read as the meter reads them: each is refused with a DecodeError or says something,
nothing else comes of it; so are the largest datagrams, built to be dear. Beside each good answer come forged ones (from
another address, from another port, with a guessed id): every reading is good, and each forgery is counted by its kind.
All answers of a burst are sent at once: none is lost.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import random
import socket
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Final

from figures import Figure, report
from meter_fleet import addresses, targets
from meter_read import PINS, found, listed, names_in, response

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.reading import Reading
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.ber import OBJECT_ID, OCTET_STRING, SEQUENCE, DecodeError, tlv
from pagereeve.meters.snmp.lane import DATAGRAM_BYTES_MAX
from pagereeve.meters.snmp.message import GET, GET_NEXT, read_head, read_response
from pagereeve.meters.snmp.stats import DatagramRefusal
from pagereeve.ports.meter import MeterTarget

SEED: Final = 20
MUTATIONS_MAX: Final = 4
LARGEST_MAX_MS: Final = 5.0
FORGED: Final = (DatagramRefusal.UNKNOWN_ID, DatagramRefusal.WRONG_ADDRESS, DatagramRefusal.WRONG_PORT)
Peer = tuple[str, int]
Answer = Callable[[bytes, Peer], None]


def good_answer(request_id: int) -> bytes:
    return response(request_id, listed([found(GET, name) for name in PINS.names]))


def mutated(many: int, chosen: random.Random) -> Iterator[bytes]:
    """A good answer with a few octets changed, put in or left out, or cut off."""
    for _ in range(many):
        data = bytearray(good_answer(chosen.randrange(2**23, 2**31)))
        for _ in range(chosen.randint(1, MUTATIONS_MAX)):
            at, octet = chosen.randrange(len(data)), chosen.choice((0x00, 0x7F, 0x80, 0xFF, chosen.randrange(256)))
            match chosen.randrange(4):
                case 0:
                    data[at] = octet
                case 1:
                    data.insert(at, octet)
                case 2 if len(data) > 1:
                    del data[at]
                case _:
                    del data[max(1, at) :]
        yield bytes(data)


def largest() -> Iterator[tuple[str, bytes]]:
    """Datagrams of the largest size that is read at all, each dear in another way."""
    room = DATAGRAM_BYTES_MAX - 64
    empty = tlv(SEQUENCE, tlv(OBJECT_ID, b"") + bytes((5, 0)))
    yield "many empty varbinds", response(2**30, tlv(SEQUENCE, empty * (room // len(empty))))
    name = b"\x2b" + b"\x81" * (room - 40) + b"\x01"
    yield (
        "one name as long as the datagram",
        response(2**30, tlv(SEQUENCE, tlv(SEQUENCE, tlv(OBJECT_ID, name) + bytes((5, 0))))),
    )
    text = tlv(SEQUENCE, tlv(OBJECT_ID, b"\x2b") + tlv(OCTET_STRING, b"x" * (room - 40)))
    yield "one text as long as the datagram", response(2**30, tlv(SEQUENCE, text))
    nested = b""
    while len(nested) < room:
        nested = tlv(SEQUENCE, nested)
    yield "sequences in one another", nested[-DATAGRAM_BYTES_MAX:]
    yield "lengths of 126 octets", (b"\x30\xfe" + b"\x00" * 125 + b"\x01") * (DATAGRAM_BYTES_MAX // 128)


def read_all(datagrams: Iterator[bytes]) -> Counter[str]:
    """What came of each. Anything but a response or a DecodeError ends the benchmark."""
    came: Counter[str] = Counter()
    for data in datagrams:
        try:
            read_response(data)
        except DecodeError:
            came["refused"] += 1
        else:
            came["read"] += 1
    return came


def dearest_ms(rounds: int = 20) -> tuple[float, str]:
    """The processor time of the dearest of the largest datagrams, best of the rounds, and what it is."""
    times = []
    for what, data in largest():
        spent = []
        for _ in range(rounds):
            began = time.process_time()
            read_all(iter([data[:DATAGRAM_BYTES_MAX]]))
            spent.append(time.process_time() - began)
        times.append((min(spent) * 1e3, what))
    return max(times)


class Agents:
    """The agents' process: a socket for each printer, all on one port. Answers are held until ``burst`` are there."""

    def __init__(self, hosts: Sequence[str], forged: int) -> None:
        self.burst = 1
        self._forged = forged
        self._held: list[tuple[socket.socket, bytes, Peer]] = []
        self._chosen = random.Random(SEED)
        self.sockets = []
        port = 0
        for host in hosts:
            listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            listening.settimeout(0)
            listening.bind((host, port))
            port = listening.getsockname()[1]
            self.sockets.append(listening)
        self.port = port
        self._stranger = self._other("127.9.9.9")
        self._elsewhere = {one: self._other(one.getsockname()[0]) for one in self.sockets} if forged else {}

    @staticmethod
    def _other(host: str) -> socket.socket:
        other = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        other.bind((host, 0))
        return other

    def drain(self, listening: socket.socket) -> None:
        while True:
            try:
                data, source = listening.recvfrom(4096)
            except BlockingIOError:
                return
            tag = GET if data[data.index(b"public") + 6] == GET else GET_NEXT
            head = read_head(data, tag)
            answer = response(head.request_id, listed([found(tag, name) for name in names_in(data, head)]))
            self._forge(listening, answer, source)
            self._held.append((listening, answer, source))
            if len(self._held) >= self.burst:
                self._let_go()

    def _forge(self, listening: socket.socket, answer: bytes, source: Peer) -> None:
        for _ in range(self._forged):
            listening.sendto(good_answer(self._chosen.randrange(2**30, 2**31)), source)
            self._stranger.sendto(answer, source)
            self._elsewhere[listening].sendto(answer, source)

    def _let_go(self) -> None:
        for listening, answer, source in self._held:
            listening.sendto(answer, source)
        self._held.clear()


def serve(hosts: Sequence[str], pipe: Connection, forged: int) -> None:
    async def run() -> None:
        agents = Agents(hosts, forged)
        loop = asyncio.get_running_loop()
        for listening in agents.sockets:
            loop.add_reader(listening, agents.drain, listening)
        loop.add_reader(pipe.fileno(), lambda: setattr(agents, "burst", pipe.recv()))
        pipe.send(agents.port)
        await asyncio.Event().wait()

    asyncio.run(run())


@contextmanager
def agents(hosts: Sequence[str], *, forged: int = 0) -> Iterator[tuple[list[MeterTarget], Connection]]:
    """What to read, and where to send after how many questions they answer from then on."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=serve, args=(hosts, there, forged))
    process.start()
    try:
        yield targets(hosts, here.recv()), here
    finally:
        process.terminate()
        process.join()


async def good_reads(meter: SnmpMeter, wanted: Sequence[MeterTarget]) -> int:
    """How many of them were read, all asked at once."""
    return sum(isinstance(one, Reading) for one in await asyncio.gather(*(meter.read(each, 10.0) for each in wanted)))


async def beside_forgeries(forged: int, rounds: int = 10) -> tuple[float, float]:
    """(share of good readings, share of the forgeries that were counted, each by its kind)."""
    hosts = addresses(20, 41)
    meter = SnmpMeter.of(SystemClock(), SystemEntropy())
    good = 0
    with agents(hosts, forged=forged) as (wanted, _):
        for _ in range(rounds):
            good += await good_reads(meter, wanted)
        await asyncio.sleep(0.2)
    counted = [meter.stats.refused[kind] for kind in FORGED]
    sent = meter.stats.sent * forged
    # A wrong source whose question has ended meanwhile answers to nothing: it is late, or of an unknown id.
    all_counted = sum(meter.stats.refused.values()) / (3 * sent)
    await meter.close()
    if not all(counted):
        raise SystemExit(f"a kind of forgery was not counted: {dict(meter.stats.refused)}")
    return good / (rounds * len(hosts)), all_counted


async def in_a_burst(many: int) -> tuple[int, int]:
    """(answers lost, requests repeated) where so many agents answer at the same moment."""
    meter = SnmpMeter.of(SystemClock(), SystemEntropy())
    with agents(addresses(many, 42)) as (wanted, pipe):
        if await good_reads(meter, wanted) < many:
            raise SystemExit("not every meter was found")
        before = meter.stats.retries
        pipe.send(many)
        await asyncio.sleep(0.2)
        good = await good_reads(meter, wanted)
    await meter.close()
    return many - good, meter.stats.retries - before


def measure(options: argparse.Namespace) -> list[Figure]:
    came = read_all(mutated(options.mutated, random.Random(SEED)))
    print(f"{options.mutated:,} mutated answers: {came['refused']:,} refused, {came['read']:,} read; nothing else")
    dearest, what = dearest_ms()
    good, counted = asyncio.run(beside_forgeries(options.forged))
    lost, repeated = asyncio.run(in_a_burst(options.burst))
    return [
        Figure(f"the dearest of the largest datagrams, {what}", dearest, unit="ms", at_most=LARGEST_MAX_MS),
        Figure(f"good readings beside {3 * options.forged} forgeries an answer", good, "all", at_least=1.0),
        Figure("forgeries counted", counted, "sent", at_least=1.0),
        Figure(f"answers lost of a burst of {options.burst}", lost, unit="", at_most=0),
        Figure(f"requests repeated in a burst of {options.burst}", repeated, unit="", at_most=0),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--mutated", type=int, default=500_000)
    parser.add_argument("--burst", type=int, default=500)
    parser.add_argument("--forged", type=int, default=20)
    return report(measure(parser.parse_args()))


if __name__ == "__main__":
    raise SystemExit(main())
