"""Who it is, where a proxy in front says so."""

from __future__ import annotations

from pagereeve.console.sign_in.requests import Headers, values_of
from pagereeve.settings.console import ConsoleSettings


def user_of_proxy(settings: ConsoleSettings, peer: str, headers: Headers) -> str | None:
    """The name in ``trusted_user_header``; None where it is missing or empty, or where ``peer`` is no proxy of ours.

    A header that is there twice names nobody (""): a proxy that only adds its own lets browsers name whom they like.
    """
    if settings.trusted_user_header is None or not settings.trusts(peer):
        return None
    found = values_of(headers, settings.trusted_user_header.lower().encode())
    if len(found) > 1:
        return ""
    return found[0].decode("latin-1").strip() or None if found else None
