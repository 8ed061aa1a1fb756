"""Many proofs at a glance: what failed first, then what could not be tried, then the rest."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

from rich.table import Table
from rich.text import Text

from pagereeve.domain.values.amounts import amount
from pagereeve.proof.report.terminal import proof_json
from pagereeve.proof.results import Proof, Standing

STYLES: Final[dict[Standing, str]] = {"passed": "green", "failed": "bold red", "not-tried": "yellow"}
STANDING_WORDS: Final[dict[Standing, str]] = {"passed": "passed", "failed": "failed", "not-tried": "could not be tried"}
ORDER: Final[tuple[Standing, ...]] = ("failed", "not-tried", "passed")

Shown = tuple[Proof, str]
"""A proof, and the printer's entry as TOML."""


def worst_first(shown: Sequence[Shown]) -> list[Shown]:
    """Of the same standing in the order given."""
    return sorted(shown, key=lambda one: ORDER.index(one[0].standing))


def summary_table(proofs: Sequence[Proof]) -> Table:
    """A line for each printer. Text from outside is never markup."""
    table = Table(title="Installation proof", title_justify="left")
    for head in ("printer", "outcome", "model", "serial", "verdict"):
        table.add_column(head, overflow="fold")
    for proof in proofs:
        model, serial = identity_of(proof)
        outcome = Text(STANDING_WORDS[proof.standing], style=STYLES[proof.standing])
        table.add_row(Text(proof.printer), outcome, Text(model), Text(serial), Text(proof.verdict))
    return table


def identity_of(proof: Proof) -> tuple[str, str]:
    """Model and serial number, empty where they are not known."""
    if proof.inspection is None:
        return "", ""
    identity = proof.inspection.identity
    return identity.model or identity.description, identity.serial


def summary_line(proofs: Sequence[Proof]) -> str:
    counts = Counter(proof.standing for proof in proofs)
    said = ", ".join(f"{counts[standing]} {STANDING_WORDS[standing]}" for standing in ("passed", "failed", "not-tried"))
    return f"{amount(len(proofs), 'printer')}: {said}."


def proofs_json(shown: Sequence[Shown]) -> dict[str, Any]:
    """Of several printers: the sums, then every proof, the worst first."""
    counts = Counter(proof.standing for proof, _ in shown)
    return {
        "printers_asked": len(shown),
        "passed": counts["passed"],
        "failed": counts["failed"],
        "not_tried": counts["not-tried"],
        "proofs": [{"standing": proof.standing, **proof_json(proof, entry)} for proof, entry in worst_first(shown)],
    }
