"""The head of the journal's seal as text and JSON: whoever keeps it can tell later if the journal was made anew."""

from __future__ import annotations

from typing import Any

from pagereeve.domain.values.instants import to_text
from pagereeve.ports.seal import SealHead


def head_text(head: SealHead) -> str:
    """As ``--head`` takes it."""
    return f"{head.size}:{head.head}"


def head_line(head: SealHead) -> str:
    return f"journal {head.origin}, head {head_text(head)}"


def head_json(head: SealHead) -> dict[str, Any]:
    return {
        "origin": head.origin,
        "size": head.size,
        "head": head.head,
        "older": head.older,
        "since": to_text(head.since_us),
    }
