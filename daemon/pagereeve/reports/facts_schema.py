"""The JSON Schema of a line of a file of facts (facts_file.py)."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.facts.codec import FACT_SHAPES
from pagereeve.domain.facts.schema.kinds import event_facts, fact_of
from pagereeve.domain.facts.schema.objects import DIALECT, Definitions
from pagereeve.domain.values.fields import UNPRINTED
from pagereeve.reports.facts_file import LINE_MAX_BYTES, SEQ_MAX

ID: Final = "urn:pagereeve:schema:facts"
TITLE: Final = "Pagereeve: a line of a file of facts (NDJSON)"
# The runs that may still grow.
_OPEN: Final = ("reading", "read-failed")


_WHOLE: Final = (
    f"One line: one fact, in UTF-8, {LINE_MAX_BYTES:,} bytes at most. What is absent is unknown, and null is as if "
    "the member were absent; in a ticket null says that it is not known. Numbers are whole and written without a "
    "fraction: this schema can't tell 5.0 from 5, but 5.0 is refused. In an event's data, a bad member that may be "
    "absent, or one that nobody knows, is left out, with a remark, and the event counts; this schema refuses it. No "
    "text holds a lone surrogate."
)
_SEQ: Final = {
    "type": ["integer", "null"],
    "minimum": 1,
    "maximum": SEQ_MAX,
    "description": "The fact's number on its printer's timeline.",
}


def facts_schema() -> dict[str, Any]:
    """Draft 2020-12, of one line as a JSON value."""
    definitions = Definitions(UNPRINTED)
    lines = [_line(one, may_grow=False) for one in event_facts(definitions)]
    lines += [_line(fact_of(kind, shape(), definitions), may_grow=kind in _OPEN) for kind, shape in FACT_SHAPES.items()]
    return {
        "$schema": DIALECT,
        "$id": ID,
        "title": TITLE,
        "description": _WHOLE,
        "oneOf": lines,
        "$defs": definitions.made,
    }


def _line(fact: dict[str, Any], *, may_grow: bool) -> dict[str, Any]:
    """With the two members that belong to the line."""
    growing = {"type": "boolean", "description": "true: the run that the meter is in just now, which may still grow."}
    is_open = growing if may_grow else {"const": False}
    return fact | {"properties": {**fact["properties"], "seq": _SEQ, "open": is_open}}
