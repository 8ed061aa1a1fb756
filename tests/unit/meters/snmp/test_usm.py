"""USM's arithmetic against the RFCs' own figures and against an independent implementation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pysnmp.proto.rfc1902 import OctetString
from pysnmp.proto.secmod.rfc3414.service import SnmpUSMSecurityModel

from pagereeve.meters.snmp import message3, usm
from pagereeve.meters.snmp.ber import DecodeError, oid_bytes
from pagereeve.meters.snmp.engine import LATCHED, Engine
from pagereeve.meters.snmp.message import GET, NO_TAIL, RESPONSE, Response, pdu_of, read_head
from pagereeve.meters.snmp.session3 import UNKNOWN_ENGINE, Report, Session3, Unauthentic
from pagereeve.ports.meter import AuthProtocol, PrivProtocol, UsmUser

ENGINE_ID = bytes.fromhex("000000000000000000000002")
LIFE = oid_bytes("1.3.6.1.2.1.43.10.2.1.4.1.1")


@pytest.mark.parametrize(
    ("protocol", "key", "local"),
    [
        # RFC 3414 appendices A.3.1 and A.3.2: password "maplesyrup", engine id 00…02.
        ("md5", "9faf3283884e92834ebc9847d8edd963", "526f5eed9fcce26f8964c2930787d82b"),
        ("sha", "9fb5cc0381497b3793528939ff788d5d79145211", "6695febc9288e36282235fc7151f128497b38f3f"),
    ],
)
def test_keys_are_those_of_the_rfc(protocol: AuthProtocol, key: str, local: str) -> None:
    made = usm.password_key("maplesyrup", protocol)
    assert made.hex() == key
    assert usm.localized(made, ENGINE_ID, protocol).hex() == local


# The authentication protocols' own numbers below snmpAuthProtocols (RFC 3414 section 5, RFC 7860 section 7).
NUMBERS: dict[AuthProtocol, int] = {"md5": 2, "sha": 3, "sha224": 4, "sha256": 5, "sha384": 6, "sha512": 7}


@pytest.mark.parametrize("protocol", NUMBERS)
def test_keys_and_digests_are_those_of_another_implementation(protocol: AuthProtocol) -> None:
    theirs = SnmpUSMSecurityModel.AUTH_SERVICES[1, 3, 6, 1, 6, 3, 10, 1, 1, NUMBERS[protocol]]
    engine_id = OctetString(ENGINE_ID)
    their_key = theirs.localize_key(theirs.hash_passphrase(OctetString("maplesyrup")), engine_id)
    ours = usm.localized(usm.password_key("maplesyrup", protocol), ENGINE_ID, protocol)
    assert ours == bytes(their_key)
    blank = bytes(usm.DIGESTS[protocol].sent_bytes)
    message, at = message3.encode(77, 1, message3.Security(ENGINE_ID, 5, 100, b"reader", blank, b""), b"\x30\x00")
    signed = bytes(theirs.authenticate_outgoing_message(their_key, message))
    assert usm.digest(ours, message, protocol) == signed[at : at + len(blank)]
    keys = usm.keys_of(UsmUser("u", protocol, "maplesyrup", "aes", "maplesyrup"), ENGINE_ID)
    assert keys.privacy == bytes(their_key)[:16]


@given(plain=st.binary(min_size=1, max_size=300), boots=st.integers(0, LATCHED), time_s=st.integers(0, LATCHED))
@pytest.mark.parametrize("protocol", ["aes", "des"])
def test_what_is_encrypted_is_decrypted(protocol: PrivProtocol, plain: bytes, boots: int, time_s: int) -> None:
    key, salt = bytes(range(16)), bytes(range(8))
    secret = usm.encrypt(protocol, key, boots, time_s, salt, plain)
    assert usm.decrypt(protocol, key, boots, time_s, salt, secret)[: len(plain)] == plain
    # Fewer octets than these may come out as they went in, by chance.
    assert len(plain) < 8 or plain not in secret


def test_no_ciphertext_of_des_has_broken_blocks_and_no_salt_another_length() -> None:
    with pytest.raises(DecodeError, match="no whole number"):
        usm.decrypt("des", bytes(16), 1, 1, bytes(8), b"1234567")
    with pytest.raises(DecodeError, match="privacy parameters"):
        usm.decrypt("aes", bytes(16), 1, 1, bytes(7), b"1234567")


def test_short_passwords_and_weak_protocols_are_refused() -> None:
    assert "fewer than 8" in usm.refuse_weak(UsmUser("u", "sha", "short-7"))
    assert "fewer than 8" in usm.refuse_weak(UsmUser("u", "sha", "x" * 8, "aes", "short-7"))
    assert "md5 and des can be broken" in usm.refuse_weak(UsmUser("u", "md5", "x" * 8, "des", "y" * 8))
    assert usm.refuse_weak(UsmUser("u", "md5", "x" * 8, "des", "y" * 8, allow_weak=True)) == ""
    assert "without authentication" in usm.refuse_weak(UsmUser("u", priv="aes", priv_password="x" * 8))
    assert usm.refuse_weak(UsmUser("u")) == ""


def test_an_engines_clock_goes_on_while_nobody_asks() -> None:
    # markabrahams/node-net-snmp#309: learnt 5 and 100; 200 s later it is 300.
    engine = Engine(ENGINE_ID)
    engine.learn(5, 100, 7_000_000, proven=True)
    assert engine.time_at(207_000_000) == 300


@pytest.mark.parametrize(
    ("boots", "time_s", "outside"),
    [
        # RFC 3414 section 3.2, step 7b; 200 s after boots 5, time 100.
        (5, 300, False),
        (5, 151, False),
        (5, 149, True),
        (5, 9999, False),
        (4, 300, True),
        (6, 0, False),
        (LATCHED, 300, True),
    ],
)
def test_the_time_window_is_150_seconds(boots: int, time_s: int, outside: bool) -> None:
    engine = Engine(ENGINE_ID)
    engine.learn(5, 100, 0, proven=True)
    assert engine.outside(boots, time_s, 200_000_000) is outside


class StandingClock:
    monotonic = 1_000_000

    def now_us(self) -> int:
        return self.monotonic

    def monotonic_us(self) -> int:
        return self.monotonic

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(seconds)


USER = UsmUser("reader", "sha256", "correct-horse", "aes", "battery-staple")


def a_pair(user: UsmUser = USER) -> tuple[Session3, Session3]:
    """Ours, and another that plays the agent: both know the engine."""
    sessions = Session3(user, StandingClock(), 1), Session3(user, StandingClock(), 2**63)
    for session in sessions:
        session.meet(Report(UNKNOWN_ENGINE, b"\x80engine-one", 5, 100, authentic=False))
    return sessions


def an_answer(agent: Session3, message_id: int = 2**24 + 7) -> bytes:
    return agent.sealed(message_id, pdu_of(RESPONSE, [LIFE]).datagram(message_id))


def opened(session: Session3, datagram: bytes) -> Response | Report:
    return session.opened(datagram, read_head(datagram), NO_TAIL)[0]


@pytest.mark.parametrize(
    "user",
    [
        UsmUser("reader"),
        UsmUser("reader", "sha", "correct-horse"),
        USER,
        UsmUser("reader", "md5", "correct-horse", "des", "battery-staple", allow_weak=True),
    ],
)
def test_a_request_is_opened_by_who_has_the_keys(user: UsmUser) -> None:
    ours, agent = a_pair(user)
    answer = opened(ours, an_answer(agent))
    assert isinstance(answer, Response)
    assert answer.varbinds[0].oid == LIFE
    request = ours.request(GET, [LIFE]).datagram(2**24 + 9)
    if user.priv is not None:
        assert LIFE not in request
    assert b"correct" not in request


def test_an_answer_of_a_lower_level_is_dropped() -> None:
    ours, _ = a_pair()
    for lower in (UsmUser("reader"), UsmUser("reader", "sha256", "correct-horse")):
        _, agent = a_pair(lower)
        with pytest.raises(Unauthentic, match="lower security level"):
            opened(ours, an_answer(agent))


def test_an_answer_signed_with_another_password_is_dropped() -> None:
    ours, _ = a_pair()
    _, agent = a_pair(UsmUser("reader", "sha256", "other-horse", "aes", "battery-staple"))
    with pytest.raises(Unauthentic, match="digest is wrong"):
        opened(ours, an_answer(agent))


def test_an_old_answer_sent_again_is_dropped() -> None:
    ours, agent = a_pair()
    assert isinstance(opened(ours, an_answer(agent)), Response)
    assert agent.engine is not None
    agent.engine.learn(4, 100, StandingClock.monotonic, proven=True)
    with pytest.raises(Unauthentic, match="signed long ago"):
        opened(ours, an_answer(agent))


@pytest.mark.parametrize(("protocol", "bits"), [("aes", 64), ("des", 32)])
def test_no_two_messages_of_a_session_have_one_salt(protocol: PrivProtocol, bits: int) -> None:
    """RFC 3826 section 3.1.2.1 and RFC 3414 section 8.1.1.1: a number, one more for each message, of 64 or 32 bits."""
    user = UsmUser("reader", "sha", "correct-horse", protocol, "battery-staple", allow_weak=True)
    session = Session3(user, StandingClock(), 2**bits - 4)
    session.meet(Report(UNKNOWN_ENGINE, b"\x80engine-one", 5, 100, authentic=False))
    sealed = [session.sealed(2**24 + 7, pdu_of(GET, [LIFE]).datagram(2**24 + 7)) for _ in range(8)]
    salts = [message3.decode(one).security.salt for one in sealed]
    local = [int.from_bytes(salt[-bits // 8 :], "big") for salt in salts]
    assert local == [2**bits - 3, 2**bits - 2, 2**bits - 1, 0, 1, 2, 3, 4]
    if protocol == "des":
        assert {salt[:4] for salt in salts} == {(5).to_bytes(4, "big")}
    hidden = [message3.decode(one).data for one in sealed]
    assert len(set(hidden)) == len(hidden)


def test_another_engine_another_user_and_another_question_are_no_answer() -> None:
    for engine_id, user, problem in (
        (b"\x80engine-two", USER, "signed by an engine that is not known"),
        (b"\x80engine-one", UsmUser("other", "sha256", "correct-horse", "aes", "battery-staple"), "another engine or"),
    ):
        ours, _ = a_pair()
        agent = Session3(user, StandingClock(), 1)
        agent.meet(Report(UNKNOWN_ENGINE, engine_id, 5, 100, authentic=False))
        with pytest.raises(Unauthentic, match=problem):
            opened(ours, an_answer(agent))
    plain = UsmUser("reader")
    ours, _ = a_pair(plain)
    agent = Session3(plain, StandingClock(), 1)
    agent.meet(Report(UNKNOWN_ENGINE, b"\x80engine-two", 5, 100, authentic=False))
    with pytest.raises(Unauthentic, match="another engine or user"):
        opened(ours, an_answer(agent))
    ours, agent = a_pair()
    with pytest.raises(Unauthentic, match="request id"):
        opened(ours, agent.sealed(2**24 + 7, pdu_of(RESPONSE, [LIFE]).datagram(2**24 + 8)))


@pytest.mark.parametrize(
    ("boots", "time_s", "adopted"),
    [(5, 101, True), (5, 100, False), (5, 99, False), (6, 0, True), (4, 101, False)],
)
def test_only_a_newer_clock_of_an_engine_is_adopted(boots: int, time_s: int, adopted: bool) -> None:
    """RFC 3414 section 3.2, step 7b: more boots, or as many and a later time than the latest received."""
    engine = Engine(ENGINE_ID)
    engine.learn(5, 100, 0, proven=True)
    engine.hear(boots, time_s, 7_000_000)
    assert (engine.boots, engine.time_s, engine.learnt_us) == ((boots, time_s, 7_000_000) if adopted else (5, 100, 0))


def test_what_nobody_signed_is_replaced_by_the_first_that_is_signed() -> None:
    engine = Engine(ENGINE_ID)
    engine.learn(9, 500, 0, proven=False)
    assert not engine.outside(5, 100, 0)
    engine.hear(5, 100, 0)
    assert (engine.boots, engine.time_s, engine.proven) == (5, 100, True)
    assert engine.outside(4, 100, 0)


def test_an_engines_clock_stops_at_its_largest_time() -> None:
    engine = Engine(ENGINE_ID)
    engine.learn(5, LATCHED - 1, 0, proven=True)
    assert [engine.time_at(seconds * 1_000_000) for seconds in (0, 1, 2)] == [LATCHED - 1, LATCHED, LATCHED]
    # A clock of ours that was set back makes nothing of it.
    assert engine.time_at(-1) == LATCHED - 1


@pytest.mark.parametrize(("boots", "adopted"), [(4, False), (5, True), (6, True)])
def test_a_report_with_fewer_boots_resyncs_nothing_once_the_clock_is_proven(boots: int, adopted: bool) -> None:
    ours, agent = a_pair()
    opened(ours, an_answer(agent))
    assert ours.engine is not None
    assert ours.engine.proven
    assert ours.resynced(Report(UNKNOWN_ENGINE, b"\x80engine-one", boots, 7, authentic=True)) is adopted
    assert (ours.engine.boots, ours.engine.time_s) == ((boots, 7) if adopted else (5, 100))


def test_a_session_that_met_nobody_asks_nothing_and_says_so() -> None:
    ours, _ = a_pair()
    ours.forget()
    assert ours.engine is None
    with pytest.raises(RuntimeError, match="was not discovered"):
        ours.request(GET, [LIFE]).datagram(2**24 + 9)
    probe = message3.decode(ours.discovery().datagram(2**24 + 9))
    assert (probe.security.engine_id, probe.security.user, probe.flags) == (b"", b"", message3.REPORTABLE_FLAG)


@given(st.data())
def test_no_changed_answer_is_ever_taken(data: st.DataObject) -> None:
    ours, agent = a_pair()
    genuine = an_answer(agent)
    answer = bytearray(genuine)
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(answer) - 1))
        answer[place] ^= data.draw(st.integers(1, 255))
    if answer == genuine:
        return
    try:
        result = opened(ours, bytes(answer))
    except (DecodeError, Unauthentic):
        return
    # Without the flag for a digest it can only be a report, and no value rests on one.
    assert isinstance(result, Report)
    assert not result.authentic


@given(st.binary(max_size=300))
def test_any_octets_are_refused_or_no_secret(noise: bytes) -> None:
    ours, _ = a_pair()
    with pytest.raises((DecodeError, Unauthentic)) as refused:
        opened(ours, noise)
    assert "correct" not in str(refused.value)
    for shown in (repr(USER), repr(ours), repr(ours.request(GET, [LIFE]))):
        assert "cor" not in shown
        assert "bat" not in shown
