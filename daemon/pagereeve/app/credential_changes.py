"""Credentials made and revoked by whoever may write the data folder: beside a running daemon or without one."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from sqlalchemy import Connection

from pagereeve.app.clocks import SystemClock
from pagereeve.app.data_folder import prepare_folder
from pagereeve.app.journals import JournalPlace, change_credentials, open_alone, reads_if_any
from pagereeve.console.sign_in.passwords import Passwords, password_trouble
from pagereeve.domain.credentials.book import PASSWORD_MARK, PROXIED, Credential, kept_of_subject
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.credentials.subjects import subject_trouble
from pagereeve.domain.credentials.tokens import SECRET_BYTES, digest_of, token_of
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.ports.credentials import STORED_MAX, StoredCredential
from pagereeve.ports.setting_types import NAME_PATTERN
from pagereeve.store.sql import credentials as rows


class BadCredential(PagereeveError):
    """Can't be made or revoked as asked: the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class CredentialRequest:
    """As domain.credentials: ``sources`` and ``types`` are None where it may speak for any."""

    name: str
    acts: frozenset[Act]
    sources: frozenset[str] | None = None
    types: frozenset[str] | None = None
    expires_us: int | None = None
    pages_max: int | None = None
    pages_day_max: int | None = None


def add_credential(place: JournalPlace, asked: CredentialRequest, given: Mapping[str, str]) -> str:
    """The token, which nobody can be told again. ``given`` are the names of the settings' own, and where they are.

    Raises BadCredential, and what ``change_credentials`` raises.
    """
    token = token_of(secrets.token_bytes(SECRET_BYTES))
    _add(place, asked, given, lambda: digest_of(token.encode()))
    return token


@dataclass(frozen=True, slots=True)
class WithPassword:
    password: str = field(repr=False)

    def kept(self) -> str:
        """Raises BadCredential. Takes some tenths of a second."""
        if trouble := password_trouble(self.password):
            raise BadCredential(trouble)
        return Passwords().kept(self.password)


@dataclass(frozen=True, slots=True)
class ByProxy:
    """A proxy in front names the person."""

    def kept(self) -> str:
        return PASSWORD_MARK + PROXIED


@dataclass(frozen=True, slots=True)
class AtProvider:
    """An OpenID provider names the person, by this subject."""

    issuer: str
    subject: str

    def kept(self) -> str:
        """Raises BadCredential."""
        if trouble := subject_trouble(self.subject):
            raise BadCredential(trouble)
        return kept_of_subject(self.issuer, self.subject)


SignsIn = WithPassword | ByProxy | AtProvider


def add_person(place: JournalPlace, asked: CredentialRequest, given: Mapping[str, str], how: SignsIn) -> None:
    """For a person who signs in. Raises as ``add_credential``."""
    if "read" not in asked.acts:
        raise BadCredential(f"{asked.name} could sign in, and see nothing; add --act read")
    kept = how.kept()
    _add(place, asked, given, lambda: kept)


def _add(place: JournalPlace, asked: CredentialRequest, given: Mapping[str, str], digest: Callable[[], str]) -> None:
    now_us = SystemClock().now_us()
    _require_usable(asked, given, now_us)
    _require_journal(place)
    caller = Caller(asked.name, asked.acts, asked.sources, asked.types, asked.pages_max, asked.pages_day_max)
    made = Credential(caller, digest(), expires_us=asked.expires_us)
    _change(place, partial(_add_to, made=made, now_us=now_us))


def _change(place: JournalPlace, work: Callable[[Connection], None]) -> None:
    asyncio.run(change_credentials(place, work))


def _add_to(connection: Connection, made: Credential, now_us: int) -> None:
    name, known = made.caller.name, rows.stored_credentials(connection)
    _require_free(made, known)
    if any(one.name == name for one in known):
        raise BadCredential(f"{name} is the name of a credential, or was one's; facts name it: choose another")
    if len(known) >= STORED_MAX:
        raise BadCredential(f"there are {STORED_MAX} credentials, revoked ones too; no more fit")
    rows.add_credential(connection, StoredCredential(made, now_us))


def change_password(place: JournalPlace, name: str, given: Mapping[str, str], password: str) -> None:
    """Who is signed in is signed out by it. Raises BadCredential, and what ``change_credentials`` raises."""
    if trouble := password_trouble(password):
        raise BadCredential(trouble)
    digest = Passwords().kept(password)

    def change(connection: Connection) -> None:
        found = _standing(connection, name, given).credential
        if found.password is None:
            raise BadCredential(f"{name} has no password; revoke it, and add another with --password")
        rows.change_password(connection, name, digest)

    _change(place, change)


def revoke_credential(place: JournalPlace, name: str, given: Mapping[str, str]) -> None:
    """Raises BadCredential, and what ``change_credentials`` raises."""

    def revoke(connection: Connection) -> None:
        _standing(connection, name, given)
        rows.revoke_credential(connection, name, SystemClock().now_us())

    _change(place, revoke)


def _standing(connection: Connection, name: str, given: Mapping[str, str]) -> StoredCredential:
    """The journal's own of that name, which was not revoked. Raises BadCredential."""
    found = next((one for one in rows.stored_credentials(connection) if one.name == name), None)
    if found is None and name in given:
        raise BadCredential(f"{name} is given by the settings ({given[name]}); remove it there, then send SIGHUP")
    if found is None:
        raise BadCredential(f"{name[:64]!r} is no credential; pagereeve credentials list shows them")
    if found.credential.revoked_us is not None:
        raise BadCredential(f"{name} was revoked at {to_text(found.credential.revoked_us)}")
    return found


def _require_free(made: Credential, known: Sequence[StoredCredential]) -> None:
    """A subject is one person's, who has one credential that stands."""
    standing = (one for one in known if one.credential.revoked_us is None and one.credential.digest == made.digest)
    for one in standing if made.is_oidc else ():
        raise BadCredential(f"that subject signs in as {one.name}; revoke that one first")


def _require_usable(asked: CredentialRequest, given: Mapping[str, str], now_us: int) -> None:
    if NAME_PATTERN.fullmatch(asked.name) is None:
        raise BadCredential(f"{asked.name[:64]!r} is no name; 64 letters, digits, '.', '_', '-' at most, no '.' first")
    if asked.name in given:
        raise BadCredential(f"{asked.name} is given by the settings ({given[asked.name]}); choose another name")
    if asked.expires_us is not None and asked.expires_us <= now_us:
        raise BadCredential("it would be expired at once; give --expires a date to come")
    _require_limits(asked)
    for source in sorted(asked.sources or ()):
        if not source or refused_character(source):
            raise BadCredential(f"{source[:64]!r} can be no event's source; write it as events do")
    acts = {one.kind: one.act for one in EVENT_TYPES}
    for kind in sorted(asked.types or ()):
        if kind not in acts:
            raise BadCredential(f"{kind[:80]!r} is no type of event; known are {', '.join(acts)}")
        if acts[kind] not in asked.acts:
            raise BadCredential(f"{kind} needs the act {acts[kind]}; add --act {acts[kind]}, or leave the type out")


def _require_limits(asked: CredentialRequest) -> None:
    for option, pages in (("--pages-max", asked.pages_max), ("--pages-day-max", asked.pages_day_max)):
        if pages is not None and "decide" not in asked.acts:
            raise BadCredential(f"{option} limits decisions; add --act decide, or leave it out")
        if pages is not None and not 0 <= pages <= PAGES_MAX:
            raise BadCredential(f"{option} is {pages}; 0 to {PAGES_MAX} pages")


def _require_journal(place: JournalPlace) -> None:
    """Where no daemon ever ran an empty journal is made, so that its first start knows whom to let in."""
    if isinstance(place, Path):
        if place.exists():
            return
        for _ in prepare_folder(place.parent):
            pass
    asyncio.run(_made_if_none(place))


async def _made_if_none(place: JournalPlace) -> None:
    reads = await reads_if_any(place)
    if reads is not None:
        await reads.close()
        return
    async with open_alone(place, SystemClock(), may_make=True):
        pass
