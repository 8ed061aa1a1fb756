"""One printer's SNMPv3 conversation: its engine, its keys, what a request looks like and what an answer must be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.snmp import message3, usm
from pagereeve.meters.snmp.ber import DecodeError, oid_bytes, oid_label
from pagereeve.meters.snmp.engine import Engine
from pagereeve.meters.snmp.message import GET, NO_TAIL, Head, Response, Tail, pdu_of, read_pdu
from pagereeve.meters.snmp.message3 import AUTH_FLAG, PRIV_FLAG, REPORT, REPORTABLE_FLAG, Message3, Security
from pagereeve.ports.clock import Clock
from pagereeve.ports.meter import UsmUser

# usmStats (RFC 3414 section 5), and what to look at.
UNSUPPORTED_LEVEL: Final = oid_bytes("1.3.6.1.6.3.15.1.1.1.0")
NOT_IN_WINDOW: Final = oid_bytes("1.3.6.1.6.3.15.1.1.2.0")
UNKNOWN_USER: Final = oid_bytes("1.3.6.1.6.3.15.1.1.3.0")
UNKNOWN_ENGINE: Final = oid_bytes("1.3.6.1.6.3.15.1.1.4.0")
WRONG_DIGEST: Final = oid_bytes("1.3.6.1.6.3.15.1.1.5.0")
DECRYPTION_ERROR: Final = oid_bytes("1.3.6.1.6.3.15.1.1.6.0")
HINTS: Final = {
    NOT_IN_WINDOW: "it takes our clock for wrong, in a report that nobody signed: compare auth and its password",
    UNSUPPORTED_LEVEL: "it does not take that security level from this user: compare auth and priv with its settings",
    UNKNOWN_USER: "it knows no such user: compare the user name",
    WRONG_DIGEST: "it can't verify us: compare auth and its password",
    DECRYPTION_ERROR: "it can't decrypt: compare priv and its password",
}


class Unauthentic(PagereeveError):
    """An answer that anybody could have sent; the text says what is wrong with it."""


class Report(NamedTuple):
    """An agent's word about our message. ``authentic``: it was signed with the user's key."""

    counter: bytes
    engine_id: bytes
    boots: int
    time_s: int
    authentic: bool


class Request3:
    """Has the place of a Template of the other versions: the same names, a datagram for each try."""

    def __init__(self, session: Session3, pdu_tag: int, oids: Sequence[bytes], *, discovery: bool = False) -> None:
        self.oids = tuple(oids)
        self._session = session
        self._pdu = pdu_of(pdu_tag, oids)
        self._discovery = discovery
        self._tail = NO_TAIL

    def datagram(self, request_id: int) -> bytes:
        pdu = self._pdu.datagram(request_id)
        return self._session.probe(request_id, pdu) if self._discovery else self._session.sealed(request_id, pdu)

    def open(self, datagram: bytes, head: Head) -> Response | Report:
        """Raises DecodeError, and Unauthentic for what must be dropped without ending the question."""
        said, self._tail = self._session.opened(datagram, head, self._tail)
        return said

    def __repr__(self) -> str:
        return f"Request3({len(self.oids)} names)"


class Session3:
    """``salt`` is where the numbers begin that no two encrypted messages share; draw it at random."""

    def __init__(self, user: UsmUser, clock: Clock, salt: int) -> None:
        self.user = user
        self.engine: Engine | None = None
        self._clock = clock
        self._salt = salt
        self._keys = usm.Keys(b"", b"")
        self._name = user.name.encode()
        self._flags = (AUTH_FLAG if user.auth else 0) | (PRIV_FLAG if user.priv else 0)

    def __repr__(self) -> str:
        return f"Session3({self.user.name!r})"

    def request(self, pdu_tag: int, oids: Sequence[bytes]) -> Request3:
        return Request3(self, pdu_tag, oids)

    def discovery(self) -> Request3:
        """Asks who the engine is (RFC 3414 section 4)."""
        return Request3(self, GET, (), discovery=True)

    def meet(self, report: Report) -> None:
        """The engine has said who it is; what it says of its clock is not proven yet."""
        self.engine = Engine(report.engine_id)
        self.engine.learn(report.boots, report.time_s, self._clock.monotonic_us(), proven=False)
        self._keys = usm.keys_of(self.user, report.engine_id)

    def forget(self) -> None:
        """Restart with the next request."""
        self.engine = None

    def probe(self, message_id: int, pdu: bytes) -> bytes:
        data = message3.scoped_pdu(b"", b"", pdu)
        return message3.encode(message_id, REPORTABLE_FLAG, Security(b"", 0, 0, b"", b"", b""), data)[0]

    def sealed(self, message_id: int, pdu: bytes) -> bytes:
        """The message as the user's level asks for it: encrypted first, then signed."""
        engine, user = self._met(), self.user
        boots, time_s = engine.boots, engine.time_at(self._clock.monotonic_us())
        data = message3.scoped_pdu(engine.engine_id, user.context.encode(), pdu)
        salt = b""
        if user.priv is not None:
            salt = self._next_salt(boots)
            data = message3.hidden(usm.encrypt(user.priv, self._keys.privacy, boots, time_s, salt, data))
        blank = bytes(usm.DIGESTS[user.auth].sent_bytes) if user.auth is not None else b""
        security = Security(engine.engine_id, boots, time_s, self._name, blank, salt)
        message, at = message3.encode(message_id, self._flags | REPORTABLE_FLAG, security, data)
        if user.auth is None:
            return message
        return message[:at] + usm.digest(self._keys.auth, message, user.auth) + message[at + len(blank) :]

    def _met(self) -> Engine:
        if self.engine is None:
            raise RuntimeError("the engine was not discovered before a request to it")
        return self.engine

    def _next_salt(self, boots: int) -> bytes:
        self._salt = (self._salt + 1) % 2**64
        if self.user.priv == "des":
            # RFC 3414 section 8.1.1.1: the engine's boots, then a local number.
            return boots.to_bytes(4, "big") + (self._salt % 2**32).to_bytes(4, "big")
        return self._salt.to_bytes(8, "big")

    def opened(self, datagram: bytes, head: Head, before: Tail) -> tuple[Response | Report, Tail]:
        """What an answer says after one whose tail was ``before``, and its own tail."""
        message = message3.decode(datagram)
        if message.message_id != head.request_id:
            raise DecodeError("two message ids in one message")
        authentic = self._verified(datagram, message)
        plain = self._plain(message, authentic=authentic)
        tag, response, tail = read_pdu(plain, message3.pdu_in(plain), len(plain), before)
        if tag == REPORT:
            return _report(message, response, authentic=authentic), NO_TAIL
        if message.flags & self._flags != self._flags:
            raise Unauthentic("an answer of a lower security level than was asked for")
        if response.request_id != head.request_id:
            raise Unauthentic("the request id is not that of the message")
        engine = self._met()
        if message.security.engine_id != engine.engine_id or message.security.user != self._name:
            raise Unauthentic("another engine or user than was asked")
        if authentic:
            self._in_time(message.security, engine)
        return response, tail

    def _verified(self, datagram: bytes, message: Message3) -> bool:
        """True for a right digest, False for a message without one. Raises Unauthentic."""
        if not message.flags & AUTH_FLAG:
            return False
        auth, sent = self.user.auth, message.security.auth
        if auth is None or self.engine is None or message.security.engine_id != self.engine.engine_id:
            raise Unauthentic("signed by an engine that is not known")
        blank = datagram[: message.auth_at] + bytes(len(sent)) + datagram[message.auth_at + len(sent) :]
        if not usm.same(usm.digest(self._keys.auth, blank, auth), sent):
            raise Unauthentic("the digest is wrong")
        return True

    def _plain(self, message: Message3, *, authentic: bool) -> bytes:
        if not message.flags & PRIV_FLAG:
            return message.data
        if self.user.priv is None or not authentic:
            raise Unauthentic("encrypted, but not signed")
        secret, security = message3.ciphertext_in(message.data), message.security
        return usm.decrypt(self.user.priv, self._keys.privacy, security.boots, security.time_s, security.salt, secret)

    def _in_time(self, security: Security, engine: Engine) -> None:
        now_us = self._clock.monotonic_us()
        if engine.outside(security.boots, security.time_s, now_us):
            raise Unauthentic("signed long ago: an old answer sent again")
        engine.hear(security.boots, security.time_s, now_us)

    def resynced(self, report: Report) -> bool:
        """Adopt the clock that an authentic report gives. False: its boots went back, which nobody may overlook.

        The message id was ours and unpredictable and the digest covers it, so the report is fresh.
        """
        engine = self._met()
        if engine.proven and report.boots < engine.boots:
            return False
        engine.learn(report.boots, report.time_s, self._clock.monotonic_us(), proven=True)
        return True


def _report(message: Message3, response: Response, *, authentic: bool) -> Report:
    if not response.varbinds:
        raise DecodeError("a report about nothing")
    security = message.security
    return Report(response.varbinds[0].oid, security.engine_id, security.boots, security.time_s, authentic)


def hint(report: Report) -> str:
    """What a report says to people."""
    return HINTS.get(report.counter, f"it reports {oid_label(report.counter)}")
