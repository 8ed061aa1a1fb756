"""A question for each operation, for who reads the OpenAPI document: its parameters and its body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

RELEASE: Final = "r-1001"
PRINTER: Final = "library-ground"
FINDING: Final = "f-0a1b2c3d4e5f"
DECISION: Final = "case-4711"
MONTH: Final = "2026-11"


@dataclass(frozen=True, slots=True)
class Example:
    """Values by the names of parameters, wherever these stand."""

    parameters: Mapping[str, str | int | bool] = field(default_factory=dict)
    body: Mapping[str, Any] | None = None


EXAMPLES: Final[Mapping[str, Example]] = {
    "releases": Example({"printer": PRINTER, "period": MONTH, "verdict": "agrees", "limit": 50}),
    "release": Example({"release": RELEASE, "source": "/release-server"}),
    "evidence": Example({"release": RELEASE, "source": "/release-server"}),
    "findings": Example({"state": "open", "kind": "stray-pages", "printer": PRINTER, "period": MONTH}),
    "findings_summary": Example({"period": MONTH}),
    "one_finding": Example({"finding": FINDING}),
    "decisions": Example({"printer": PRINTER}),
    "printers": Example({"gateway": "gate-1"}),
    "one_printer": Example({"printer": PRINTER}),
    "check_printer": Example({"printer": PRINTER}),
    "gateways": Example({"limit": 50}),
    "one_gateway": Example({"gateway": "gate-1"}),
    "health": Example(),
    "changes": Example({"printer": PRINTER, "after": 0}),
    "totals": Example({"by": "cost-centre", "period": MONTH}),
    "export": Example({"by": "printer", "period": MONTH, "format": "csv"}),
    "losses": Example({"by": "printer", "period": MONTH}),
    "costs": Example({"by": "cost-centre", "period": MONTH}),
    "statement": Example({"of": "person", "name": "anise", "period": MONTH}),
    "statement_as_file": Example({"of": "printer", "name": PRINTER, "period": MONTH, "format": "html"}),
    "periods": Example(),
    "period": Example({"name": MONTH}),
    "period_changes": Example({"name": "first-week"}),
    "schemas": Example(),
    "schema": Example({"name": "events"}),
    "decide_finding": Example(
        {"finding": FINDING, "Idempotency-Key": "case-4712"},
        {"action": "explain", "reason": "walk-up-copy", "text": "copies at the desk"},
    ),
    "decide_pages": Example(
        {"Idempotency-Key": "case-4713"},
        {"act": "waive", "of": {"release": RELEASE}, "reason": "jam", "dry_run": True},
    ),
    "close_period": Example({"name": "first-week"}, {"despite": "its supplier has the printer"}),
    "undo": Example({"decision": DECISION}, {"reason": "mistake"}),
}
"""By operationId."""


def put_examples(document: dict[str, Any]) -> None:
    """Raises KeyError where an operation has no example, or an example names a parameter that there is not."""
    for path in document["paths"].values():
        for operation in path.values():
            example = EXAMPLES[operation["operationId"]]
            parameters = {one["name"]: one for one in operation.get("parameters", ())}
            for name, value in example.parameters.items():
                parameters[name]["example"] = value
            if example.body is not None:
                operation["requestBody"]["content"]["application/json"]["example"] = dict(example.body)
