"""Credentials as a table for people and as JSON. Nothing of a token or a secret is in them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.periods import local, local_text
from pagereeve.domain.credentials.callers import ACTS
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.credentials import KnownCredential
from pagereeve.reports.text import plain

COLUMNS: Final = ("name", "acts", "speaks for", "limits", "state", "expires", "last used", "from")


def credentials_table(known: Iterable[KnownCredential], zone: ZoneInfo) -> Table:
    table = Table(*COLUMNS)
    for one in known:
        table.add_row(
            plain(one.caller.name),
            one.caller.acts_text,
            plain(_speaks_for(one)),
            _limits(one),
            one.state,
            "" if one.expires_us is None else local_text(one.expires_us, zone),
            _used(one, zone),
            plain(one.place or "the journal"),
        )
    return table


def credentials_json(known: Iterable[KnownCredential]) -> dict[str, Any]:
    return {
        "credentials": [
            {
                "name": one.caller.name,
                "acts": [act for act in ACTS if act in one.caller.acts],
                "sources": _listed(one.caller.sources),
                "types": _listed(one.caller.types),
                "pages_max": one.caller.pages_max,
                "pages_day_max": one.caller.pages_day_max,
                "state": one.state,
                "signs": one.signs,
                "place": one.place,
                "added": _text(one.added_us),
                "expires": _text(one.expires_us),
                "revoked": _text(one.revoked_us),
                "used": _text(one.used_us),
            }
            for one in known
        ]
    }


def _speaks_for(one: KnownCredential) -> str:
    return ", ".join(sorted(one.caller.sources or ()) + sorted(one.caller.types or ())) or "all"


def _limits(one: KnownCredential) -> str:
    """Of decisions about pages."""
    caller = one.caller
    pages = [] if caller.pages_max is None else [f"{amount(caller.pages_max, 'page')} at once"]
    pages += [] if caller.pages_day_max is None else [f"{amount(caller.pages_day_max, 'page')} a day"]
    return ", ".join(pages)


def _used(one: KnownCredential, zone: ZoneInfo) -> str:
    """To the hour: no more of it is kept."""
    if one.place:
        return "not kept"
    return "never" if one.used_us is None else local(one.used_us, zone).strftime("%Y-%m-%d %H h")


def _listed(texts: frozenset[str] | None) -> list[str] | None:
    return None if texts is None else sorted(texts)


def _text(at_us: int | None) -> str | None:
    return None if at_us is None else to_text(at_us)
