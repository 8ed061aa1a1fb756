"""All credentials of a site at one moment: whose is a token, who signed a request?"""

from __future__ import annotations

import hmac
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

from pagereeve.domain.credentials.callers import ANYBODY, Caller
from pagereeve.domain.credentials.signatures import Signed
from pagereeve.domain.credentials.subjects import digest_of_subject
from pagereeve.domain.credentials.tokens import digest_of

Failure = Literal["missing", "malformed", "unknown", "expired", "revoked", "stale", "bad-signature", "bad-password"]
FAILURES: Final[tuple[Failure, ...]] = get_args(Failure)
"""Why somebody is not known: labels, a closed set."""

_WHAT_TO_DO: Final[Mapping[Failure, str]] = {
    "missing": "no credential was shown; send Authorization: Bearer TOKEN, or sign the request",
    "malformed": "is neither Bearer and a token nor a whole signature of Standard Webhooks; correct it",
    "unknown": "no credential has this token; ask for another one",
    "expired": "this credential is no longer valid; ask for another one",
    "revoked": "this credential was revoked; ask for another one",
    "stale": "was signed more than 5 minutes from our clock; set the sender's clock, and sign when you send",
    "bad-signature": "no secret that is known here gives this signature of the body; sign its bytes as they are sent",
    "bad-password": "this is not the password of that name; enter both again",
}
PASSWORD_MARK: Final = "$"  # noqa: S105 - it says that one follows
"""What is kept of a password begins with it (the string of RFC 9106's reference code), and no token's digest does."""
PROXIED: Final = "proxied"
"""Kept in place of a digest, behind the mark, where a proxy in front says who signed in."""
OIDC: Final = "oidc$"
"""Kept behind the mark, and before the digest of issuer and subject, where an OpenID provider says who signed in."""


def kept_of_subject(issuer: str, subject: str) -> str:
    """In the place of a digest."""
    return f"{PASSWORD_MARK}{OIDC}{digest_of_subject(issuer, subject)}"


class NotKnown(Exception):
    """Who asks is nobody's credential. ``name`` is whose it was, where it is one of the past."""

    def __init__(self, failure: Failure, name: str = "") -> None:
        super().__init__(failure)
        self.failure: Failure = failure
        self.name = name

    @property
    def problem(self) -> str:
        """For the sender; nothing of what it showed is in it."""
        return _WHAT_TO_DO[self.failure]


@dataclass(frozen=True, slots=True)
class Credential:
    """Exactly one of ``digest`` and ``key`` (of a signer) is there. ``digest`` is of a bearer token, or says how an
    person signs in (PASSWORD_MARK): no request can show it.
    """

    caller: Caller
    digest: str = ""
    key: bytes = field(default=b"", repr=False)
    expires_us: int | None = None
    revoked_us: int | None = None

    @property
    def is_for_sign_in(self) -> bool:
        """A person's, who signs in."""
        return self.digest.startswith(PASSWORD_MARK)

    @property
    def is_proxied(self) -> bool:
        """A proxy in front says that it is this person; no password is known here."""
        return self.digest == PASSWORD_MARK + PROXIED

    @property
    def is_oidc(self) -> bool:
        """An OpenID provider says that it is this person; no password is known here."""
        return self.digest.startswith(PASSWORD_MARK + OIDC)

    @property
    def password(self) -> str | None:
        """What is kept of it; None where there is none."""
        return None if not self.is_for_sign_in or self.is_proxied or self.is_oidc else self.digest

    def caller_at(self, now_us: int) -> Caller:
        """Raises NotKnown for one of the past."""
        if self.revoked_us is not None:
            raise NotKnown("revoked", self.caller.name)
        if self.expires_us is not None and self.expires_us <= now_us:
            raise NotKnown("expired", self.caller.name)
        return self.caller


class CredentialBook:
    """Fixed once made. Where no credential was ever made (false), everybody is ANYBODY. One that is revoked or expired
    counts: losing the last one opens nothing.
    """

    def __init__(self, credentials: Iterable[Credential] = ()) -> None:
        known = tuple(credentials)
        self._by_digest = {one.digest: one for one in known if one.digest and not one.is_for_sign_in}
        self._for_sign_in = {one.caller.name: one for one in known if one.is_for_sign_in}
        # Of several with one subject the one that was not revoked: it was made later, under another name.
        by_subject = sorted((one for one in known if one.is_oidc), key=lambda one: one.revoked_us is None)
        self._by_subject = {one.digest: one for one in by_subject}
        self._signers = tuple(one for one in known if one.key)

    def __bool__(self) -> bool:
        return bool(self._by_digest or self._signers or self._for_sign_in)

    @property
    def signers(self) -> int:
        return len(self._signers)

    def anybody(self) -> Caller:
        """Who shows nothing. Raises NotKnown where somebody must show something."""
        if self:
            raise NotKnown("missing")
        return ANYBODY

    def of_token(self, token: bytes, now_us: int) -> Caller:
        """Raises NotKnown.

        Found by its digest: how long that takes says nothing of any token, since nobody can choose a token's digest,
        and the table's places come from a hash that is keyed anew in each process.
        """
        if not self:
            return ANYBODY
        digest = digest_of(token)
        found = self._by_digest.get(digest)
        if found is None or not hmac.compare_digest(found.digest, digest):
            raise NotKnown("unknown")
        return found.caller_at(now_us)

    def for_sign_in(self, name: str) -> Credential | None:
        """A past one too; None where there is none. Whether a password is its own is for the asker to find out."""
        return self._for_sign_in.get(name)

    def of_subject(self, issuer: str, subject: str) -> Credential | None:
        """Whose the subject of that issuer is; a past one too."""
        return self._by_subject.get(kept_of_subject(issuer, subject))

    def of_signed(self, signed: Signed, body: bytes, now_us: int) -> Caller:
        """Raises NotKnown. Takes as long as hashing the body once for each signer."""
        if not self:
            return ANYBODY
        if not signed.is_well_formed():
            raise NotKnown("malformed")
        if not signed.is_fresh(now_us):
            raise NotKnown("stale")
        for one in self._signers:
            if signed.is_by(one.key, body):
                return one.caller_at(now_us)
        raise NotKnown("bad-signature")
