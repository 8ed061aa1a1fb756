"""From the certificate that a client showed to what it may do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.settings import ClientSettings

# Kinds of subjectAltName that are names (RFC 5280 section 4.2.1.6), as ssl.SSLSocket.getpeercert has them.
_KINDS: Final = frozenset({"DNS", "URI", "email", "IP Address"})
NAMES_MAX: Final = 64


def names_of(certificate: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Of a certificate that was verified: the subject's common names, then its other names; () where none was shown."""
    return tuple(dict.fromkeys(_names(certificate)))[:NAMES_MAX] if certificate else ()


def _names(certificate: Mapping[str, Any]) -> Iterator[str]:
    for part in certificate.get("subject", ()):
        yield from (value for kind, value in part if kind == "commonName")
    yield from (value for kind, value in certificate.get("subjectAltName", ()) if kind in _KINDS)


class ClientCertificates:
    """``clients`` are replaced when settings change, and are in force from the next request on."""

    def __init__(self, clients: Iterable[ClientSettings] = ()) -> None:
        self._callers = {one.name.lower(): _caller(one) for one in clients}

    def change(self, clients: Iterable[ClientSettings]) -> None:
        self._callers = {one.name.lower(): _caller(one) for one in clients}

    def caller_of(self, names: Iterable[str]) -> Caller | None:
        """By the first of its names that the settings have, whole and without regard to case; None where none is."""
        return next((caller for name in names if (caller := self._callers.get(name.lower())) is not None), None)


def _caller(one: ClientSettings) -> Caller:
    return Caller(one.name, one.acts, one.sources, one.types, one.pages_max, one.pages_day_max)
