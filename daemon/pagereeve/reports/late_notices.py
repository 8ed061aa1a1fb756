"""What was known when, in a sentence and as JSON."""

from __future__ import annotations

from typing import Any

from pagereeve.domain.values.amounts import Figure
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.late_notices import LateNotice, LedgerState
from pagereeve.queries.own_view import OTHER_PEOPLE
from pagereeve.reports.sentences import span_text


def known_text(learnt: LateNotice, figure: Figure = str) -> str:
    """One sentence each: the values before it, and what it changed."""
    until = _values(learnt.before, figure)
    changed = learnt.differences()
    names = {OTHER_PEOPLE: "other people"}
    moved = (
        ", ".join(
            f"{names.get(account, account)} {'+' if pages > 0 else ''}{figure(pages)}" for account, pages in changed
        )
        or "no account changes"
    )
    late = span_text(learnt.late_us)
    return (
        f"{learnt.what} came {late} late. Until then: {until}. From then on: {_values(learnt.after, figure)}; {moved}"
    )


def _values(known: LedgerState, figure: Figure) -> str:
    unsupported = f", unsupported {figure(known.unproven)}" if known.unproven else ""
    return f"{known.verdict}, charged {figure(known.charged)}{unsupported}"


def known_json(learnt: LateNotice) -> dict[str, Any]:
    return {
        "at": to_text(learnt.at_us),
        "late_us": learnt.late_us,
        "what": learnt.what,
        "before": _values_json(learnt.before),
        "after": _values_json(learnt.after),
        "differences": [{"account": account, "pages": pages} for account, pages in learnt.differences()],
    }


def _values_json(known: LedgerState) -> dict[str, Any]:
    return {
        "verdict": known.verdict,
        "charged": known.charged,
        "unproven": known.unproven,
        "accounts": [{"account": account, "pages": pages} for account, pages in known.accounts],
    }
