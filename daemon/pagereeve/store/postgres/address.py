"""Where the database is, and by what name messages call it: never with its password."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Self

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

SCHEMES: Final = ("postgresql", "postgres")
TLS_MODES: Final = ("disable", "allow", "prefer", "require", "verify-ca", "verify-full")
VERIFYING: Final = ("verify-ca", "verify-full")
QUERIES: Final = ("host", "sslmode", "sslrootcert")
SYSTEM_ROOTS: Final = "system"
PORT: Final = 5432


@dataclass(frozen=True, slots=True)
class Address:
    """``host`` is a name, an address, or the folder of a Unix socket. ``sslmode`` is as libpq has it
    (postgresql.org/docs/15/libpq-connect.html, section 34.1.2); None: ``prefer``. ``sslrootcert``: the file of the
    authorities that may have signed the server's certificate, or ``system`` for those of this machine (as libpq 16
    has it); None: ``~/.postgresql/root.crt``.
    """

    host: str
    database: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    port: int = PORT
    sslmode: str | None = None
    sslrootcert: str | None = None

    @classmethod
    def of(cls, url: str, password: str | None = None) -> Self:
        """Raises ValueError, which never holds the password."""
        try:
            given = make_url(url)
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
        )

    def __str__(self) -> str:
        """As messages name it, without user and password."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"postgresql://{host}:{self.port}/{self.database}"


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
    if "sslrootcert" in query and sslmode not in VERIFYING:
        raise ValueError("sslrootcert belongs to sslmode=verify-full; without it nothing is verified")
    return query
