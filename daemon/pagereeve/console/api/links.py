"""Addresses of things in the API. A name of any kind, a slash in it too, is one step of a path."""

from __future__ import annotations

from urllib.parse import quote

from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.values.address_step import one_step


def release_link(key: ReleaseKey) -> str:
    return f"/v1/releases/{one_step(key.release)}?source={quote(key.source, safe='', errors='surrogatepass')}"


def evidence_link(key: ReleaseKey) -> str:
    return f"/v1/evidence/{one_step(key.release)}?source={quote(key.source, safe='', errors='surrogatepass')}"


def finding_link(finding: str) -> str:
    return f"/v1/findings/{one_step(finding)}"


def printer_link(printer: str) -> str:
    return f"/v1/printers/{one_step(printer)}"
