"""Credentials in their table: ports.credentials over SQL. Of a token only its digest is there."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, func, insert, select, update

from pagereeve.domain.credentials.book import Credential
from pagereeve.domain.credentials.callers import ACTS, Caller
from pagereeve.ports.credentials import StoredCredential
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader

_TABLE: Final = schema.credential
_LIMITS: Final = ("pages_max", "pages_day_max")
_NONE: Final = object()
_USED: Final = (
    update(_TABLE)
    .where(_TABLE.c.name == bindparam("of"), func.coalesce(_TABLE.c.used_us, -1) < bindparam("at_us"))
    .values(used_us=bindparam("at_us"))
)


class CredentialReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def credentials(self) -> Sequence[StoredCredential]:
        """ports.credentials.CredentialReads. Raises JournalUnavailable."""
        return [_stored(row) for row in await self._reader.rows(select(_TABLE).order_by(_TABLE.c.name))]


def stored_credentials(connection: Connection) -> list[StoredCredential]:
    """All of them, within a transaction that may write."""
    return [_stored(row) for row in connection.execute(select(_TABLE).order_by(_TABLE.c.name))]


def add_credential(connection: Connection, one: StoredCredential) -> None:
    """Its name and its digest must be new."""
    credential = one.credential
    caller = credential.caller
    row = {
        "name": caller.name,
        "digest": credential.digest,
        "acts": _acts_column(caller),
        "sources": _listed(caller.sources),
        "types": _listed(caller.types),
        "added_us": one.added_us,
        "expires_us": credential.expires_us,
    }
    connection.execute(insert(_TABLE), row)


def revoke_credential(connection: Connection, name: str, at_us: int) -> None:
    connection.execute(
        update(_TABLE).where(_TABLE.c.name == name, _TABLE.c.revoked_us.is_(None)).values(revoked_us=at_us)
    )


def write_uses(connection: Connection, used_us: Mapping[str, int]) -> None:
    """ports.credentials.CredentialStore; in a transaction of its own."""
    with connection.begin():
        connection.execute(_USED, [{"of": name, "at_us": at_us} for name, at_us in used_us.items()])


def _listed(texts: frozenset[Any] | None) -> str | None:
    return None if texts is None else json.dumps(sorted(texts))


def _stored(row: Row[Any]) -> StoredCredential:
    """A member that is damaged allows nothing, and opens nothing."""
    known, limits = _acts_and_limits(row.acts)
    acts = frozenset(act for act in ACTS if act in known)
    caller = Caller(row.name, acts, _texts(row.sources), _texts(row.types), *limits)
    credential = Credential(caller, row.digest, expires_us=row.expires_us, revoked_us=row.revoked_us)
    return StoredCredential(credential, row.added_us, row.used_us)


def _acts_column(caller: Caller) -> str | None:
    """A list; with limits an object, so that a version that knows no limits allows nothing."""
    limits = {name: getattr(caller, name) for name in _LIMITS if getattr(caller, name) is not None}
    return json.dumps({"acts": sorted(caller.acts), **limits}) if limits else _listed(caller.acts)


def _acts_and_limits(column: str) -> tuple[frozenset[str], tuple[int | None, ...]]:
    """A limit that is damaged is 0."""
    try:
        members = json.loads(column)
    except ValueError:
        members = []
    if not isinstance(members, dict):
        return _texts(column) or frozenset(), (None,) * len(_LIMITS)
    known = (members.get(name, _NONE) for name in _LIMITS)
    limits = tuple(None if one is _NONE else one if type(one) is int and one >= 0 else 0 for one in known)
    return _texts(json.dumps(members.get("acts"))) or frozenset(), limits


def _texts(column: str | None) -> frozenset[str] | None:
    if column is None:
        return None
    try:
        texts = json.loads(column)
    except ValueError:
        return frozenset()
    return frozenset(one for one in texts if isinstance(one, str)) if isinstance(texts, list) else frozenset()
