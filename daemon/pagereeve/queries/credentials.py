"""Who may do what: credentials of the journal and of the settings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.credentials.book import Credential
from pagereeve.domain.credentials.callers import Caller
from pagereeve.ports.credentials import StoredCredential

State = Literal["valid", "expired", "revoked"]
Shown = Literal["token", "signature", "password", "proxy", "oidc"]
"""What its holder shows; ``proxy``: a proxy in front says who it is, ``oidc``: an OpenID provider."""


@dataclass(frozen=True, slots=True)
class KnownCredential:
    """``place`` is where the settings give it, "" of the journal's own; only of these it is known when they were made
    and used.
    """

    caller: Caller
    state: State
    shown: Shown
    expires_us: int | None
    revoked_us: int | None
    place: str = ""
    added_us: int | None = None
    used_us: int | None = None


def known_credentials(
    stored: Iterable[StoredCredential], given: Mapping[str, Credential], now_us: int
) -> list[KnownCredential]:
    """By name. ``stored`` are the journal's, ``given`` those of the settings by their places."""
    known = [_known(one, now_us, place=place) for place, one in given.items()]
    known += [_known(one.credential, now_us, added_us=one.added_us, used_us=one.used_us) for one in stored]
    return sorted(known, key=lambda one: one.caller.name)


def state_of(credential: Credential, now_us: int) -> State:
    if credential.revoked_us is not None:
        return "revoked"
    return "expired" if credential.expires_us is not None and credential.expires_us <= now_us else "valid"


def shown_for(credential: Credential) -> Shown:
    if credential.is_for_sign_in:
        return "proxy" if credential.is_proxied else "oidc" if credential.is_oidc else "password"
    return "signature" if credential.key else "token"


def _known(
    one: Credential, now_us: int, *, place: str = "", added_us: int | None = None, used_us: int | None = None
) -> KnownCredential:
    return KnownCredential(
        one.caller,
        state_of(one, now_us),
        shown=shown_for(one),
        expires_us=one.expires_us,
        revoked_us=one.revoked_us,
        place=place,
        added_us=added_us,
        used_us=used_us,
    )
