"""Addresses of things in the API. A name of any kind, a slash in it too, is one step of a path."""

from __future__ import annotations

from pagereeve.console.api.steps import one_step
from pagereeve.domain.ledger import ReleaseKey


def release_link(key: ReleaseKey) -> str:
    return f"/v1/releases/{one_step(key.release)}?source={one_step(key.source)}"


def evidence_link(key: ReleaseKey) -> str:
    return f"/v1/evidence/{one_step(key.release)}?source={one_step(key.source)}"


def finding_link(finding: str) -> str:
    return f"/v1/findings/{one_step(finding)}"


def printer_link(printer: str) -> str:
    return f"/v1/printers/{one_step(printer)}"
