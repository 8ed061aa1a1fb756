"""Where an event came from, as JSON, both ways."""

from __future__ import annotations

from typing import Any, get_args

from pagereeve.domain.facts.facts import ClockMark, Origin
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import to_text


def origin_json(origin: Origin) -> dict[str, Any]:
    return {
        "source": origin.source,
        "id": origin.id,
        "at": to_text(origin.at_us),
        "received": to_text(origin.received_us),
        "occurred": None if origin.occurred_us is None else to_text(origin.occurred_us),
        "clock": origin.clock,
    }


def origin_of(fields: Fields) -> Origin:
    return Origin(
        source=fields.text("source"),
        id=fields.text("id"),
        at_us=fields.instant("at"),
        received_us=fields.instant("received"),
        occurred_us=fields.optional_instant("occurred"),
        clock=fields.optional_choice("clock", get_args(ClockMark)) or "",
    )
