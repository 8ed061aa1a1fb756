"""Who asks: a bearer token (RFC 6750 section 2.1), or a signature of the body (Standard Webhooks), and what of it is
known. What was shown is in no error, log or count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.credentials.book import Credential, CredentialBook, Failure, NotKnown
from pagereeve.domain.credentials.callers import ANYBODY, Act, Caller
from pagereeve.domain.credentials.signatures import Signed
from pagereeve.feeds.http.answers import CALLER, Scope
from pagereeve.feeds.refusals import Refusal

ID: Final = b"webhook-id"
TIMESTAMP: Final = b"webhook-timestamp"
SIGNATURE: Final = b"webhook-signature"
_SIGNED: Final = frozenset({ID, TIMESTAMP, SIGNATURE})
_AUTHORIZATION: Final = "Authorization"


@dataclass(frozen=True, slots=True)
class Shown:
    """What the head of a request shows of who sends it; a header that is there ``twice`` counts for nothing."""

    authorization: bytes | None = None
    signed: Signed | None = None
    twice: bool = False


def shown_by(headers: Iterable[tuple[bytes, bytes]]) -> Shown:
    found: dict[bytes, bytes] = {}
    twice = False
    for name, value in headers:
        if name in _SIGNED or name == b"authorization":
            twice = twice or name in found
            found[name] = value
    signed = None
    if not found.keys().isdisjoint(_SIGNED):
        signed = Signed(found.get(ID, b""), found.get(TIMESTAMP, b""), found.get(SIGNATURE, b""))
    return Shown(found.get(b"authorization"), signed, twice)


class HttpCallers:
    """``book`` is replaced when credentials change, and is in force from the next request on.

    ``failures`` counts by reason. ``used`` is when each credential was last shown, by its name; whoever keeps it
    empties it. ``wall_us`` is the machine's clock: expiry and signatures go by the clock that everybody has.
    """

    def __init__(self, wall_us: Callable[[], int], book: CredentialBook | None = None) -> None:
        self.book = book or CredentialBook()
        self.failures: Counter[Failure] = Counter()
        self.used: dict[str, int] = {}
        self._wall_us = wall_us

    def of_head(self, scope: Scope) -> Caller | Signed:
        """The caller; or what is to be compared with the body, once that is there. Raises Refusal.

        Where both are there the token counts; where the connection itself shows who asks (CALLER), that does.
        """
        known: Caller | None = scope.get(CALLER)
        if known is not None:
            return known
        shown = shown_by(scope["headers"])
        try:
            return self._of_head(shown)
        except NotKnown as error:
            where = _AUTHORIZATION if shown.signed is None or shown.authorization is not None else "webhook-signature"
            refusal = self._refusal(error, where)
        # Outside of the handler: one that knew the error would hold its frames, and they it, until the collector comes.
        raise refusal

    def _of_head(self, shown: Shown) -> Caller | Signed:
        if not self.book:
            return ANYBODY
        if shown.twice:
            raise NotKnown("malformed")
        if shown.authorization is None:
            return self.book.anybody() if shown.signed is None else shown.signed
        scheme, _, token = shown.authorization.partition(b" ")
        token = token.strip()
        if scheme.lower() != b"bearer" or not token:
            raise NotKnown("malformed")
        now_us = self._wall_us()
        return self._seen(self.book.of_token(token, now_us), now_us)

    def of_body(self, signed: Signed, body: bytes) -> Caller:
        """Who signed this body. Raises Refusal."""
        now_us = self._wall_us()
        try:
            return self._seen(self.book.of_signed(signed, body, now_us), now_us)
        except NotKnown as error:
            refusal = self._refusal(error, "webhook-signature")
        raise refusal

    def of_sign_in(self, credential: Credential) -> Caller:
        """Who signed in. Raises NotKnown for a credential of the past."""
        now_us = self._wall_us()
        return self._seen(credential.caller_at(now_us), now_us)

    def reader(self, scope: Scope) -> Caller | None:
        """Who may read, by its token or connection; None where nobody is asked for one. Raises Refusal."""
        if not self.book and CALLER not in scope:
            return None
        caller = self.of_head(scope)
        if isinstance(caller, Signed):
            self.failures["missing"] += 1
            raise Refusal("unauthorized", _AUTHORIZATION, "what is read is not signed; show a bearer token", "missing")
        act: Act = "read"
        if not caller.may(act):
            problem = f"needs the act {act}; the credential {caller.name} has {caller.acts_text or 'none'}"
            raise Refusal("forbidden", _AUTHORIZATION, problem, act)
        return caller

    def _seen(self, caller: Caller, now_us: int) -> Caller:
        if caller.name:
            self.used[caller.name] = now_us
        return caller

    def _refusal(self, error: NotKnown, where: str) -> Refusal:
        self.failures[error.failure] += 1
        return Refusal("unauthorized", where, error.problem, error.failure)
