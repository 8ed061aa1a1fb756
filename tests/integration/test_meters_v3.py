"""SNMPv3 against Debian's snmpd, compared with net-snmp's own client, and against agents that lie."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.ber import SEQUENCE, integer, tlv
from pagereeve.meters.snmp.message import RESPONSE, pdu_of
from pagereeve.meters.snmp.message3 import REPORT, Security, decode, encode, scoped_pdu
from pagereeve.meters.snmp.session3 import NOT_IN_WINDOW, UNKNOWN_ENGINE, Report, Session3
from pagereeve.meters.snmp.stats import DatagramRefusal
from pagereeve.ports.meter import AuthProtocol, MeterTarget, PrivProtocol, UsmUser
from tests.integration.foreign import PrinterObjects, Snmpd, free_port, tool
from tests.integration.meter import a_meter, failure, total
from tests.snmp_agents import PRINTER_OBJECT_ID, MachineClock, Peer, RawAgent, SeededEntropy, raw_agent

AUTH_WORD, PRIV_WORD = "Qx7-horse-battery", "Zk9-staple-correct"
LIFE = "1.3.6.1.2.1.43.10.2.1.4.1.1"
# net-snmp's own names.
AUTHS: dict[AuthProtocol, str] = {
    "md5": "MD5",
    "sha": "SHA",
    "sha224": "SHA-224",
    "sha256": "SHA-256",
    "sha384": "SHA-384",
    "sha512": "SHA-512",
}
PRIVS: dict[PrivProtocol, str] = {"aes": "AES", "des": "DES"}


@contextmanager
def a_printer(folder: Path, lines: Sequence[str], port: int | None = None) -> Iterator[int]:
    port = port or free_port()
    objects = PrinterObjects(folder / "objects", count=4711)
    folder.mkdir(exist_ok=True)
    with Snmpd(folder, object_id=PRINTER_OBJECT_ID, listen=f"127.0.0.1:{port}", objects=objects, more=lines):
        yield port


def target(port: int, user: UsmUser) -> MeterTarget:
    return MeterTarget("p1", "127.0.0.1", port, version="3", user=user)


def lines_of(user: UsmUser, level: str) -> list[str]:
    secrets = f' {AUTHS[user.auth]} "{user.auth_password}"' if user.auth else ""
    secrets += f' {PRIVS[user.priv]} "{user.priv_password}"' if user.priv else ""
    return [f"createUser {user.name}{secrets}", f"rouser {user.name} {level}"]


def every_kind() -> list[tuple[UsmUser, str]]:
    kinds = [(UsmUser("plain"), "noauth")]
    for auth in AUTHS:
        weak = auth == "md5"
        kinds.append((UsmUser(f"a-{auth}", auth, AUTH_WORD, allow_weak=weak), "auth"))
        kinds.append((UsmUser(f"p-{auth}", auth, AUTH_WORD, "aes", PRIV_WORD, allow_weak=weak), "priv"))
    kinds.append((UsmUser("p-des", "sha", AUTH_WORD, "des", PRIV_WORD, allow_weak=True), "priv"))
    return kinds


@pytest.fixture(scope="module")
def every_user(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    lines = [line for user, level in every_kind() for line in lines_of(user, level)]
    with a_printer(tmp_path_factory.mktemp("v3") / "agent", lines) as port:
        yield port


@pytest.mark.parametrize(("user", "level"), every_kind(), ids=lambda one: getattr(one, "name", str(one)))
async def test_every_kind_of_user_reads_what_net_snmps_client_reads(user: UsmUser, level: str, every_user: int) -> None:
    async with a_meter() as meter:
        first = await meter.read(target(every_user, user), 5.0)
        again = await meter.read(target(every_user, user), 5.0)
        assert total(first) == total(again) == int(snmpget3(every_user, user, level)) == 4711
        # Found out once: the engine, its clock, the meter's place.
        assert meter.stats.discoveries == 1
        assert not meter.stats.refused


def snmpget3(port: int, user: UsmUser, level: str) -> str:
    levels = {"noauth": "noAuthNoPriv", "auth": "authNoPriv", "priv": "authPriv"}
    argv = [tool("snmpget", "snmp"), "-v3", "-u", user.name, "-l", levels[level], "-Oqvn", "-m", "", "-t", "3"]
    argv += ["-a", AUTHS[user.auth], "-A", user.auth_password] if user.auth else []
    argv += ["-x", PRIVS[user.priv], "-X", user.priv_password] if user.priv else []
    done = subprocess.run([*argv, f"127.0.0.1:{port}", LIFE], check=True, capture_output=True, text=True, timeout=20)
    return done.stdout.strip()


@pytest.mark.parametrize(
    ("user", "hint"),
    [
        (UsmUser("nobody", "sha256", AUTH_WORD), "knows no such user"),
        (UsmUser("a-sha256", "sha256", "Vw8-another-horse"), "compare auth and its password"),
        (UsmUser("a-sha256", "sha512", AUTH_WORD), "compare auth and its password"),
        (UsmUser("a-sha256", "sha256", AUTH_WORD, "aes", PRIV_WORD), "compare auth and priv"),
        (UsmUser("p-sha256", "sha256", AUTH_WORD, "aes", "Vw8-another-staple"), "compare priv and its password"),
        (UsmUser("a-md5", "md5", AUTH_WORD), "md5 can be broken"),
        (UsmUser("x", "sha", "short"), "fewer than 8"),
    ],
)
async def test_what_is_not_admitted_says_what_to_compare_and_no_secret(
    user: UsmUser, hint: str, every_user: int
) -> None:
    async with a_meter() as meter:
        refused = failure(await meter.read(target(every_user, user), 2.0))
        if user.name == "p-sha256":
            # An agent may stay silent about what it can't decrypt.
            assert refused.reason in {SilenceReason.NOT_ADMITTED, SilenceReason.TIMEOUT, SilenceReason.MALFORMED}
        else:
            assert refused.reason is SilenceReason.NOT_ADMITTED
            assert hint in refused.detail
        for secret in (AUTH_WORD, PRIV_WORD, "Vw8-another"):
            for shown in (repr(refused), repr(user)):
                assert secret[:3] not in shown
                assert secret[:3].encode().hex() not in shown


async def test_an_agent_that_starts_anew_is_read_on(tmp_path: Path) -> None:
    user = UsmUser("reader", "sha256", AUTH_WORD, "aes", PRIV_WORD)
    lines = [*lines_of(user, "priv"), "exactEngineID 0x80001f8880123456789abcdef0"]
    port = free_port()
    async with a_meter() as meter:
        for _ in range(3):
            with a_printer(tmp_path / "agent", lines, port):
                assert total(await meter.read(target(port, user), 5.0)) == 4711
        assert not meter.stats.refused


async def test_another_engine_behind_the_port_is_a_wrong_device_once(tmp_path: Path) -> None:
    user = UsmUser("reader", "sha", AUTH_WORD)
    port = free_port()
    async with a_meter() as meter:
        with a_printer(tmp_path / "one", [*lines_of(user, "auth"), "exactEngineID 0x80001f888011"], port):
            assert total(await meter.read(target(port, user), 5.0)) == 4711
        with a_printer(tmp_path / "two", [*lines_of(user, "auth"), "exactEngineID 0x80001f888022"], port):
            other = failure(await meter.read(target(port, user), 5.0))
            assert other.reason is SilenceReason.WRONG_DEVICE
            assert "80001f888022, not 80001f888011" in other.detail
            assert total(await meter.read(target(port, user), 5.0)) == 4711


USER = UsmUser("reader", "sha256", AUTH_WORD, "aes", PRIV_WORD)
ENGINE_ID = b"\x80\x00\x1f\x88\x80raw-engine"


class RawEngine:
    """An agent that plays by the rules or breaks them at the test's word; it holds the user's keys."""

    def __init__(self, boots: int = 5, time_s: int = 100) -> None:
        self.boots, self.time_s = boots, time_s
        self.seen: list[Security] = []
        self.keys = Session3(USER, MachineClock(), 99)

    def reply(self, data: bytes, source: Peer, agent: RawAgent) -> None:
        message = decode(data)
        if not message.security.engine_id:
            agent.send(self.report(message.message_id, UNKNOWN_ENGINE), source)
            return
        self.seen.append(message.security)
        known = (message.security.boots, abs(message.security.time_s - self.time_s) <= 150) == (self.boots, True)
        agent.send(self.answer(message.message_id) if known else self.signed_report(message.message_id), source)

    def report(self, message_id: int, counter: bytes) -> bytes:
        security = Security(ENGINE_ID, self.boots, self.time_s, b"", b"", b"")
        pdu = pdu_of(REPORT, [counter]).datagram(message_id)
        return encode(message_id, 0, security, scoped_pdu(ENGINE_ID, b"", pdu))[0]

    def answer(self, message_id: int) -> bytes:
        """A signed answer that refuses the first name: the read ends, but the exchange is whole."""
        return self._sealed(message_id, refusal(message_id))

    def signed_report(self, message_id: int) -> bytes:
        return self._sealed(message_id, pdu_of(REPORT, [NOT_IN_WINDOW]).datagram(message_id))

    def _sealed(self, message_id: int, pdu: bytes) -> bytes:
        self.keys.meet(Report(UNKNOWN_ENGINE, ENGINE_ID, self.boots, self.time_s, authentic=False))
        return self.keys.sealed(message_id, pdu)


def refusal(message_id: int) -> bytes:
    """genErr at the first name."""
    return tlv(RESPONSE, integer(message_id) + integer(5) + integer(1) + tlv(SEQUENCE, b""))


async def test_boots_that_went_up_are_followed_and_boots_that_went_back_are_told() -> None:
    # net-snmp/net-snmp#220, #385; agent reboots to (0, 3): report, resync, alert
    engine = RawEngine()
    async with a_meter() as meter, raw_agent(engine.reply) as agent:
        where = target(agent.port, USER)
        assert failure(await meter.read(where, 1.0)).reason is SilenceReason.MALFORMED
        engine.boots, engine.time_s = 6, 2
        assert failure(await meter.read(where, 1.0)).reason is SilenceReason.MALFORMED
        assert engine.seen[-1].boots == 6
        engine.boots, engine.time_s = 0, 3
        lost = failure(await meter.read(where, 1.0))
        assert lost.reason is SilenceReason.WRONG_DEVICE
        assert "has started 0 times by its own count, and 6 times before" in lost.detail
        assert meter.stats.boots_back == 1
        assert failure(await meter.read(where, 1.0)).reason is SilenceReason.MALFORMED
        assert engine.seen[-1].boots == 0


class LeapingClock(MachineClock):
    leapt_us = 0

    def monotonic_us(self) -> int:
        return super().monotonic_us() + self.leapt_us


async def test_a_request_200_seconds_later_carries_the_engines_time() -> None:
    # markabrahams/node-net-snmp#309: learn (boots 5, time 100); 200 s later it must carry about 300.
    engine, clock = RawEngine(), LeapingClock()
    meter = SnmpMeter.of(clock, SeededEntropy())
    async with raw_agent(engine.reply) as agent:
        failure(await meter.read(target(agent.port, USER), 0.5))
        engine.seen.clear()
        clock.leapt_us = 200_000_000
        engine.time_s = 300
        failure(await meter.read(target(agent.port, USER), 0.5))
        assert engine.seen[0].boots == 5
        assert 299 <= engine.seen[0].time_s <= 301
    await meter.close()


async def test_forged_answers_are_counted_and_the_genuine_one_is_taken() -> None:
    engine = RawEngine()

    def forge_first(data: bytes, source: Peer, agent: RawAgent) -> None:
        message = decode(data)
        if message.security.engine_id:
            genuine = engine.answer(message.message_id)
            agent.send(genuine[:-1] + bytes((genuine[-1] ^ 1,)), source)
            unsigned = encode(
                message.message_id,
                0,
                Security(ENGINE_ID, 5, 100, b"reader", b"", b""),
                scoped_pdu(ENGINE_ID, b"", refusal(message.message_id)),
            )[0]
            agent.send(unsigned, source)
        engine.reply(data, source, agent)

    async with a_meter() as meter, raw_agent(forge_first) as agent:
        ended = failure(await meter.read(target(agent.port, USER), 1.0))
        assert meter.stats.refused[DatagramRefusal.UNAUTHENTIC] >= 2
        # The genuine answers ended the read their own way: an agent that refuses even sysUpTime can't be read.
        assert ended.reason is SilenceReason.MALFORMED
        assert "genErr" in ended.detail


async def test_an_unsigned_word_about_the_clock_changes_nothing() -> None:
    engine = RawEngine()

    def lie(data: bytes, source: Peer, agent: RawAgent) -> None:
        message = decode(data)
        counter = NOT_IN_WINDOW if message.security.engine_id else UNKNOWN_ENGINE
        agent.send(engine.report(message.message_id, counter), source)

    async with a_meter() as meter, raw_agent(lie) as agent:
        refused = failure(await meter.read(target(agent.port, USER), 1.0))
        assert refused.reason is SilenceReason.NOT_ADMITTED
        assert "in a report that nobody signed" in refused.detail


@pytest.mark.parametrize("same_words", [True, False])
async def test_two_printers_with_one_engine_id_disturb_nobody(tmp_path: Path, same_words: bool) -> None:
    """Printers that were set up from one image: an engine's boots and time are kept for each of them."""
    one = UsmUser("reader", "sha256", AUTH_WORD, "aes", PRIV_WORD)
    users = [one, one if same_words else replace(one, auth_password=AUTH_WORD[::-1]), one]
    engines = ["exactEngineID 0x80001f8804696d616765", "exactEngineID 0x80001f8804696d616765", ""]
    with ExitStack() as printers:
        targets = []
        for nth, (user, engine) in enumerate(zip(users, engines, strict=True)):
            # The second has started more often than the first.
            lines = [*lines_of(user, "priv"), engine, engine.replace("exact", "old"), f"engineBoots {1 + 6 * nth}"]
            port = printers.enter_context(a_printer(tmp_path / str(nth), lines))
            targets.append(replace(target(port, user), printer=f"p{nth}"))
        async with a_meter() as meter:
            for _ in range(10):
                for place in targets:
                    assert total(await meter.read(place, 5.0)) == 4711
            sessions = [meter._printers[place.printer].session for place in targets]
            engines_met = [session.engine for session in sessions if session is not None and session.engine is not None]
            assert [known.engine_id.hex() for known in engines_met[:2]] == ["80001f8804696d616765"] * 2
            assert engines_met[1].boots > engines_met[0].boots
            assert meter.stats.discoveries == 3
            assert meter.stats.boots_back == 0
