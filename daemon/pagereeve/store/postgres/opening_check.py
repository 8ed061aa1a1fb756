"""Before a database is used: can what is acknowledged be lost in it by its own settings?"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection

from pagereeve.store.errors import CantOpen
from pagereeve.store.postgres.connecting import Limits
from pagereeve.store.postgres.connections import WRITER_LIMITS

VERSION_LEAST: Final = 150_000
_ASKED: Final = (
    "SELECT current_setting('server_version_num')::int AS version, current_setting('server_encoding') AS encoding, "
    "current_setting('synchronous_commit') AS commits, current_setting('fsync') AS fsync, "
    "current_setting('full_page_writes') AS pages, current_setting('synchronous_standby_names') AS standbys, "
    "pg_is_in_recovery() AS standby, "
    "extract(epoch FROM current_setting('statement_timeout')::interval) * 1000 AS statement_ms"
)


def require_fit(connection: Connection, name: str, limits: Limits = WRITER_LIMITS) -> None:
    """Raises CantOpen, with what to do."""
    with connection.begin():
        found = connection.exec_driver_sql(_ASKED).one()
    problem = ""
    if found.version < VERSION_LEAST:
        problem = f"is PostgreSQL {found.version // 10_000}; 15 is the least that will do"
    elif found.encoding != "UTF8":
        problem = f"has the encoding {found.encoding}; make the database with ENCODING 'UTF8'"
    elif found.standby:
        problem = "is a standby, which takes no writes; name the primary"
    elif found.commits == "off":
        problem = "has synchronous_commit off: a crash loses what was acknowledged; set it to on"
    elif found.commits == "local" and found.standbys:
        problem = (
            "has synchronous_commit local and synchronous_standby_names: a standby that takes over lacks what was "
            "acknowledged; set it to on"
        )
    elif found.fsync == "off" or found.pages == "off":
        problem = "has fsync or full_page_writes off: a power cut destroys it; set both to on"
    elif int(found.statement_ms) != limits.statement_ms:
        problem = "takes no settings of the session: is a pooler before it? Set pool_mode = session there"
    if problem:
        raise CantOpen(name, problem)
