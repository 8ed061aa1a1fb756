"""Many proofs at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.table import Table
from rich.text import Text

from pagereeve.domain.values.amounts import amount
from pagereeve.proof.results import Outcome, Proof

STYLES: Final[dict[Outcome, str]] = {"passed": "green", "failed": "bold red", "warned": "yellow", "not-tried": "dim"}


def summary_table(proofs: Sequence[Proof]) -> Table:
    """A line for each printer. Text from outside is never markup."""
    table = Table(title="Installation proof", title_justify="left")
    for head in ("printer", "outcome", "model", "serial", "verdict"):
        table.add_column(head, overflow="fold")
    for proof in proofs:
        identity = None if proof.inspection is None else proof.inspection.identity
        outcome: Outcome = "passed" if proof.passed else "failed"
        table.add_row(
            Text(proof.printer),
            Text(outcome, style=STYLES[outcome]),
            Text("" if identity is None else identity.model or identity.description),
            Text("" if identity is None else identity.serial),
            Text(proof.verdict),
        )
    return table


def summary_line(proofs: Sequence[Proof]) -> str:
    failed = sum(not proof.passed for proof in proofs)
    return f"{amount(len(proofs), 'printer')}: {len(proofs) - failed} passed, {failed} failed."
