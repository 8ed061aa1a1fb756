"""Addresses of things in the API. A name of any kind, a slash in it too, is one step of a path."""

from __future__ import annotations

from urllib.parse import quote

from pagereeve.domain.ledger import ReleaseKey


def _step(name: str) -> str:
    return quote(name, safe="", errors="surrogatepass")


def release_link(key: ReleaseKey) -> str:
    return f"/v1/releases/{_step(key.release)}?source={_step(key.source)}"


def evidence_link(key: ReleaseKey) -> str:
    return f"/v1/evidence/{_step(key.release)}?source={_step(key.source)}"


def finding_link(finding: str) -> str:
    return f"/v1/findings/{_step(finding)}"


def printer_link(printer: str) -> str:
    return f"/v1/printers/{_step(printer)}"
