"""Credentials for tests: whom an endpoint knows, and what it is shown."""

from __future__ import annotations

import base64
from typing import Any

from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.credentials.callers import ACTS, Act, Caller
from pagereeve.domain.credentials.signatures import SECRET_PREFIX
from pagereeve.domain.credentials.tokens import digest_of
from pagereeve.feeds.http.callers import HttpCallers

NOW_US = 1_800_000_000_000_000
KEY = bytes(range(32))
SECRET = SECRET_PREFIX + base64.b64encode(KEY).decode()


def token_of(name: str) -> str:
    """A token that a sender could show, told apart by the name."""
    return f"invented-token-of-{name}-0123456789"


def bearer(name: str) -> str:
    return f"Bearer {token_of(name)}"


def credential(name: str, *acts: Act, **more: Any) -> Credential:
    """With the bearer token ``token_of(name)``, unless ``key`` makes it a signer's."""
    limits = {member: more.pop(member) for member in ("sources", "types") if member in more}
    digest = "" if "key" in more else digest_of(token_of(name).encode())
    return Credential(Caller(name, frozenset(acts), **limits), digest, **more)


def one_for_each_act() -> list[Credential]:
    return [credential(f"may-{act}", act) for act in ACTS]


def callers_of(*credentials: Credential, now_us: int = NOW_US) -> HttpCallers:
    return HttpCallers(lambda: now_us, CredentialBook(credentials))
