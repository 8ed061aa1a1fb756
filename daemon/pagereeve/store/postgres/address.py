"""Where the database is, and by what name messages call it: never with its password."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Self

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

SCHEMES: Final = ("postgresql", "postgres")
TLS_MODES: Final = ("disable", "allow", "prefer", "require", "verify-ca", "verify-full")
VERIFYING: Final = ("verify-ca", "verify-full")
QUERIES: Final = ("host", "sslmode", "sslrootcert", "target_session_attrs")
WRITING: Final = ("read-write", "primary")
"""A journal is written: no other server will do. So it is too where nobody says so."""
SYSTEM_ROOTS: Final = "system"
PORT: Final = 5432
HOSTS_MAX: Final = 8
_SEVERAL: Final = re.compile(
    r"(?P<begin>[^:/?]*://(?:[^@/?]*@)?)(?P<first>[^,/?]*),(?P<others>[^/?]*)(?P<end>.*)", re.DOTALL
)


@dataclass(frozen=True, slots=True)
class Address:
    """``host`` is a name, an address, or the folder of a Unix socket. ``sslmode`` is as libpq has it
    (postgresql.org/docs/15/libpq-connect.html, section 34.1.2); None: ``prefer``. ``sslrootcert``: the file of the
    authorities that may have signed the server's certificate, or ``system`` for those of this machine (as libpq 16
    has it); None: ``~/.postgresql/root.crt``. ``others``: hosts with their ports that may have taken over.
    ``archives``: the folder of this machine for files with facts that left the database; None: there is none.
    """

    host: str
    database: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    port: int = PORT
    sslmode: str | None = None
    sslrootcert: str | None = None
    others: tuple[tuple[str, int], ...] = ()
    archives: Path | None = field(default=None, compare=False)

    @property
    def places(self) -> tuple[tuple[str, int], ...]:
        return ((self.host, self.port), *self.others)

    @classmethod
    def of(cls, url: str, password: str | None = None) -> Self:
        """Raises ValueError, which never holds the password."""
        several = _SEVERAL.fullmatch(url)
        try:
            given = make_url(url if several is None else several["begin"] + several["first"] + several["end"])
        except (ArgumentError, ValueError):
            raise ValueError("this is no URL; write postgresql://USER@HOST:5432/DATABASE") from None
        if given.drivername not in SCHEMES:
            raise ValueError(f"{given.drivername}: is not known; write postgresql://USER@HOST:5432/DATABASE")
        if given.password is not None and password is not None:
            raise ValueError("a password is given twice; leave it out of the URL")
        if not given.database:
            raise ValueError("the database's name is missing; write postgresql://USER@HOST:5432/DATABASE")
        query = _known_queries(given)
        return cls(
            query.get("host") or given.host or "localhost",
            given.database,
            given.username,
            given.password if password is None else password,
            given.port or PORT,
            query.get("sslmode"),
            query.get("sslrootcert"),
            () if several is None else _others(several["others"]),
        )

    def __str__(self) -> str:
        """As messages name it, without user and password."""
        places = ",".join(f"[{host}]:{port}" if ":" in host else f"{host}:{port}" for host, port in self.places)
        return f"postgresql://{places}/{self.database}"


def _others(given: str) -> tuple[tuple[str, int], ...]:
    """As libpq has it (postgresql.org/docs/15/libpq-connect.html, section 34.1.1.3)."""
    names = given.split(",")
    try:
        urls = [make_url(f"postgresql://{one}") for one in names]
    except (ArgumentError, ValueError):
        urls = []
    found = tuple((url.host, url.port or PORT) for url in urls if url.host)
    if len(found) < len(names):
        raise ValueError("several hosts are written HOST:5432,HOST:5432")
    if len(found) >= HOSTS_MAX:
        raise ValueError(f"{len(found) + 1} hosts are named; {HOSTS_MAX} at most")
    return found


def _known_queries(url: URL) -> dict[str, str]:
    query: dict[str, str] = {}
    for name, value in url.query.items():
        if name not in QUERIES:
            raise ValueError(f"{name} after the ? is not known; only {', '.join(QUERIES)} are")
        if not isinstance(value, str):
            raise ValueError(f"{name} after the ? is given twice; name one")  # noqa: TRY004 - it is the text that is wrong
        query[name] = value
    sslmode = query.get("sslmode")
    if sslmode is not None and sslmode not in TLS_MODES:
        raise ValueError(f"sslmode must be one of {', '.join(TLS_MODES)}")
    if query.get("target_session_attrs", WRITING[0]) not in WRITING:
        raise ValueError(f"target_session_attrs must be {WRITING[0]}: a journal is written")
    if "sslrootcert" in query and sslmode not in VERIFYING:
        raise ValueError("sslrootcert belongs to sslmode=verify-full; without it nothing is verified")
    return query
