"""How many pages may be missing or too much, by the policies of the releases."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.facts.policy import Policy


def tolerance(expected: int, policy: Policy) -> int:
    """Pages that may be missing or too much: share x pages + fixed, rounded down."""
    return expected * policy.tolerance_permille // 1000 + policy.tolerance_pages


def tolerated(amounts: Sequence[int], policies: Sequence[Policy]) -> int:
    """The tolerance of releases that expect ``amounts``, each by its own policy: their shares, and one fixed part."""
    if len(policies) == 1:
        return tolerance(amounts[0], policies[0])
    shares = sum(pages * one.tolerance_permille for pages, one in zip(amounts, policies, strict=True))
    return shares // 1000 + max(one.tolerance_pages for one in policies)
