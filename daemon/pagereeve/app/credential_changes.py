"""Credentials made and revoked by whoever may write the data folder: beside a running daemon or without one."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.app.data_folder import prepare_folder
from pagereeve.domain.credentials.book import Credential
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.credentials.tokens import SECRET_BYTES, digest_of, token_of
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.ports.credentials import STORED_MAX, StoredCredential
from pagereeve.ports.setting_types import NAME_PATTERN
from pagereeve.store.sql import credentials as rows
from pagereeve.store.sqlite.credential_changes import changes
from pagereeve.store.sqlite.journal import SqlJournal


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


def add_credential(journal: Path, asked: CredentialRequest, given: Mapping[str, str]) -> str:
    """The token, which nobody can be told again. ``given`` are the names of the settings' own, and where they are.

    Raises BadCredential, and what ``changes`` raises.
    """
    now_us = SystemClock().now_us()
    _require_usable(asked, given, now_us)
    _require_journal(journal)
    token = token_of(secrets.token_bytes(SECRET_BYTES))
    caller = Caller(asked.name, asked.acts, asked.sources, asked.types, asked.pages_max, asked.pages_day_max)
    made = Credential(caller, digest_of(token.encode()), expires_us=asked.expires_us)
    with changes(journal) as connection:
        known = rows.stored_credentials(connection)
        if any(one.name == asked.name for one in known):
            raise BadCredential(
                f"{asked.name} is the name of a credential, or was one's; facts name it: choose another"
            )
        if len(known) >= STORED_MAX:
            raise BadCredential(f"there are {STORED_MAX} credentials, revoked ones too; no more fit")
        rows.add_credential(connection, StoredCredential(made, now_us))
    return token


def revoke_credential(journal: Path, name: str, given: Mapping[str, str]) -> None:
    """Raises BadCredential, and what ``changes`` raises."""
    with changes(journal) as connection:
        found = next((one for one in rows.stored_credentials(connection) if one.name == name), None)
        if found is None and name in given:
            raise BadCredential(f"{name} is given by the settings ({given[name]}); remove it there, then send SIGHUP")
        if found is None:
            raise BadCredential(f"{name[:64]!r} is no credential; pagereeve credentials list shows them")
        if found.credential.revoked_us is not None:
            raise BadCredential(f"{name} was revoked at {to_text(found.credential.revoked_us)}")
        rows.revoke_credential(connection, name, SystemClock().now_us())


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


def _require_journal(path: Path) -> None:
    """Where no daemon ever ran an empty journal is made, so that its first start knows whom to let in."""
    if not path.exists():
        for _ in prepare_folder(path.parent):
            pass
        asyncio.run(_made(path))


async def _made(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    await journal.close()
