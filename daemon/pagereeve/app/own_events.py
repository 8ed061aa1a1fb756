"""Events that a command of this host says by itself: CloudEvents with an identity of their own (CloudEvents 1.0)."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any

from pagereeve.domain.values.instants import to_text


def envelope_of(kind: str, source: str, data: Mapping[str, Any], at_us: int) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "type": kind,
        "source": source,
        "id": f"{at_us:017d}-{secrets.token_hex(8)}",
        "time": to_text(at_us),
        "datacontenttype": "application/json",
        "data": dict(data),
    }
