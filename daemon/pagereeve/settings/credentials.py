"""Credentials that the settings give: what senders show is in files of their own, and no error holds any of it."""

from __future__ import annotations

import stat
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from pydantic import SecretStr

from pagereeve.domain.credentials.book import Credential
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.credentials.signatures import BadSecret, key_of
from pagereeve.domain.credentials.tokens import digest_of, token_trouble
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.values.instants import EPOCH
from pagereeve.feeds.http.settings import CredentialSettings, HttpSettings
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.ports.setting_types import NAME_PATTERN
from pagereeve.settings.errors import BadSettings, Problem

# A file of token_files says nothing of what its token is for: it sends and notes, and never decides.
ACTS_OF_TOKEN_FILES: Final[frozenset[Act]] = frozenset({"send", "note"})
# A group may read: so shows the access list by which systemd gives a service its credentials (from memory, no source).
_NOT_OWNERS: Final = stat.S_IWGRP | stat.S_IXGRP | stat.S_IRWXO
_ACT_OF: Final = {one.kind: one.act for one in EVENT_TYPES}


@dataclass(frozen=True, slots=True)
class GivenCredential:
    """``place`` is where the settings name it, ``secret`` what is in its file."""

    place: str
    credential: Credential
    secret: SecretStr = field(repr=False)

    @property
    def name(self) -> str:
        return self.credential.caller.name

    @property
    def is_token(self) -> bool:
        return bool(self.credential.digest)


def read_credentials(settings: HttpSettings) -> tuple[GivenCredential, ...]:
    """Raises BadSettings with all that is wrong."""
    found: list[GivenCredential] = []
    problems: list[Problem] = []
    for place, read in _readers(settings):
        try:
            found.append(read(place))
        except NoSecret as error:
            problems.append(Problem(place, str(error)))
    problems += _repeated(found)
    if problems:
        raise BadSettings("the credentials", problems)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _TokenFile:
    path: Path

    def __call__(self, place: str) -> GivenCredential:
        if NAME_PATTERN.fullmatch(self.path.name) is None:
            shown = repr(self.path.name)[:70]
            raise NoSecret(f"{shown} can name no credential; rename the file, or give it a row of [[http.credentials]]")
        secret = _token(self.path)
        caller = Caller(self.path.name, ACTS_OF_TOKEN_FILES)
        return GivenCredential(place, Credential(caller, digest_of(secret.encode())), SecretStr(secret))


@dataclass(frozen=True, slots=True)
class _Row:
    row: CredentialSettings

    def __call__(self, place: str) -> GivenCredential:
        row = self.row
        for kind in sorted(row.types or ()):
            if _ACT_OF[kind] not in row.acts:
                raise NoSecret(f"{kind} needs the act {_ACT_OF[kind]}; add it to the acts, or remove the type")
        caller = Caller(row.name, row.acts, row.sources, row.types, row.pages_max, row.pages_day_max)
        expires_us = None if row.expires is None else _us(row.expires)
        if row.token_file is not None and row.secret_file is None:
            secret = _token(row.token_file)
            credential = Credential(caller, digest_of(secret.encode()), expires_us=expires_us)
        elif row.secret_file is not None and row.token_file is None:
            secret = secret_from_file(row.secret_file)
            credential = Credential(caller, key=_key(row.secret_file, secret), expires_us=expires_us)
        else:
            raise NoSecret("needs a token_file (a bearer token) or a secret_file (a sender that signs); name one")
        return GivenCredential(place, credential, SecretStr(secret))


def _readers(settings: HttpSettings) -> Iterator[tuple[str, _TokenFile | _Row]]:
    for path in settings.token_files:
        yield f"http.token_files, {path.name!r}", _TokenFile(path)
    for row in settings.credentials:
        yield f"[[http.credentials]] {row.name!r}", _Row(row)


def _token(path: Path) -> str:
    """Raises NoSecret."""
    token = secret_from_file(path)
    trouble = token_trouble(token)
    if trouble:
        raise NoSecret(f"the token in {path} {trouble}")
    return token


def _key(path: Path, secret: str) -> bytes:
    """Raises NoSecret. Whoever can read a signer's secret can sign in its name, so its file is its owner's alone."""
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & _NOT_OWNERS:
        raise NoSecret(f"{path} is open to other users (mode {mode:04o}); chmod 600 {path}")
    try:
        return key_of(secret)
    except BadSecret as error:
        raise NoSecret(f"{path} {error}") from None


def _us(value: datetime) -> int:
    return (value - EPOCH) // timedelta(microseconds=1)


def _repeated(found: list[GivenCredential]) -> Iterator[Problem]:
    """A name is one holder's, and what is shown is one name's: else nobody could say who it was."""
    names = Counter(one.name for one in found)
    secrets = Counter(one.credential.digest or one.credential.key for one in found)
    for one in found:
        if names[one.name] > 1:
            yield Problem(one.place, f"{one.name} names more than one credential; each needs its own name")
        if secrets[one.credential.digest or one.credential.key] > 1:
            yield Problem(one.place, "holds the same as another one's file; each credential needs its own")
