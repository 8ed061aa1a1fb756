"""What an error of the server says: by its SQLSTATE alone (postgresql.org/docs/15/errcodes-appendix.html)."""

from __future__ import annotations

from typing import Final

from sqlalchemy.exc import DBAPIError, StatementError

from pagereeve.store.sql.group_writer import is_refused

UNIQUE: Final = "23505"
SERIALIZATION: Final = "40001"
DEADLOCK: Final = "40P01"
LOCK_TIMEOUT: Final = "55P03"
_CLASHES: Final = frozenset({UNIQUE, SERIALIZATION, DEADLOCK, LOCK_TIMEOUT})
# Admin shutdown, crash shutdown, can't connect now, idle in transaction too long.
_ENDED: Final = frozenset({"57P01", "57P02", "57P03", "25P03"})
_CONNECTION: Final = "08"
_TOO_BIG: Final = "54"


def sqlstate_of(error: BaseException) -> str:
    """Empty where it is no answer of the server."""
    reason = getattr(error, "orig", None) or error
    return str(getattr(reason, "sqlstate", None) or "")


def is_clash(error: BaseException) -> bool:
    """Somebody else stored something meanwhile: the same group, joined again, may be stored."""
    return sqlstate_of(error) in _CLASHES


def is_lost(error: BaseException) -> bool:
    """The connection is gone, and with it the answer to what was sent last."""
    if isinstance(error, OSError | TimeoutError):
        return True
    if not isinstance(error, DBAPIError):
        return False
    state = sqlstate_of(error)
    return error.connection_invalidated or not state or state[:2] == _CONNECTION or state in _ENDED


def is_value_refused(error: Exception) -> bool:
    """Is it the value's fault, so that the same request would fail again?"""
    if isinstance(error, DBAPIError):
        state = sqlstate_of(error)
        # A row too large for an index or a page is the value's too.
        return bool(state) and (state[:2] in {"22", "23", _TOO_BIG}) and not is_lost(error)
    return is_refused(error) or (isinstance(error, StatementError) and not isinstance(error, DBAPIError))
