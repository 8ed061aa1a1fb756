"""A release's evidence as its owner may see it: it names no other person, and nobody's free words are in it.

Which evidence is personal was decided where it was made (domain.findings.evidence).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import PEOPLE, Charge, EvidenceKind, Finding, Posting, account_kind, cost_centre_of, person
from pagereeve.domain.ledger import Evidence as Shown
from pagereeve.queries.explain import Explained
from pagereeve.queries.late_notices import LateNotice, LedgerState

OTHER_PEOPLE: Final = person("")
"""The account of all persons but the owner."""

# Values of personal evidence that name nobody; of any other personal evidence nothing is shown.
_NAMELESS: Final = {
    EvidenceKind.NOTED: frozenset({"at_us", "note"}),
    EvidenceKind.DECIDED: frozenset({"at_us", "action", "reason", "printer"}),
}


def for_its_owner(known: Explained) -> Explained:
    """``names_left_out`` then says whether there were any."""
    return _seen_by(known, {owner_key(one.owner) for one in known.evidence.charges})


def for_anybody(known: Explained) -> Explained:
    """The same without its owner, job and queue: for who may see no names at all."""
    seen = _seen_by(known, set())
    evidence = replace(
        seen.evidence,
        charges=[replace(one, owner="", job="") for one in seen.evidence.charges],
        starts=[replace(one, owner="", job="", queue="", was="") for one in seen.evidence.starts],
    )
    return replace(seen, evidence=evidence, names_left_out=True)


def _seen_by(known: Explained, owners: set[str]) -> Explained:
    seen = known.evidence
    evidence = replace(
        seen,
        others=[_without_owner(one, owners) for one in seen.others],
        postings=[_posting(one, owners) for one in seen.postings],
        findings=[_finding(one, owners) for one in seen.findings],
        notes=[replace(one, text="") for one in seen.notes],
        decided=[_ruling(one, owners) for one in seen.decided],
    )
    when = replace(known.known, late=tuple(_late(one, owners) for one in known.known.late))
    return Explained(evidence, when, names_left_out=(evidence, when) != (seen, known.known))


def _without_owner(charge: Charge, owners: set[str]) -> Charge:
    return charge if owner_key(charge.owner) in owners else replace(charge, owner="", job="")


def _posting(posting: Posting, owners: set[str]) -> Posting:
    return replace(posting, legs=_legs(posting.legs, owners))


def _legs(legs: Sequence[tuple[str, int]], owners: set[str]) -> tuple[tuple[str, int], ...]:
    """What other people received is one sum; it stands where the first of them stood."""
    summed: Counter[str] = Counter()
    for account, pages in legs:
        others = (
            account_kind(account) == PEOPLE
            and cost_centre_of(account) is None
            and owner_key(account.removeprefix(person(""))) not in owners
        )
        summed[OTHER_PEOPLE if others else account] += pages
    return tuple(summed.items())


def _ruling(ruling: Ruling, owners: set[str]) -> Ruling:
    """Who decided, in which words, and which other person received pages is left out."""
    said = ruling.decided.said
    others = said.to == "person" and owner_key(said.to_name) not in owners
    decided = replace(ruling.decided, by="", said=replace(said, text="", to_name="" if others else said.to_name))
    posting = ruling.posting
    if posting is not None:
        posting = replace(posting, decided=decided, legs=_legs(posting.legs, owners))
    return replace(ruling, decided=decided, posting=posting)


def _finding(finding: Finding, owners: set[str]) -> Finding:
    kept = (_shown(one, owners) for one in finding.evidence)
    return replace(finding, evidence=tuple(one for one in kept if one is not None))


def _shown(one: Shown, owners: set[str]) -> Shown | None:
    if not one.personal or (one.kind is EvidenceKind.JOB and owner_key(str(one.value("owner") or "")) in owners):
        return one
    nameless = _NAMELESS.get(one.kind)
    if nameless is None:
        return None
    return replace(one, values=tuple(value for value in one.values if value[0] in nameless))


def _late(late: LateNotice, owners: set[str]) -> LateNotice:
    return replace(late, before=_state(late.before, owners), after=_state(late.after, owners))


def _state(state: LedgerState, owners: set[str]) -> LedgerState:
    return replace(state, accounts=_legs(state.accounts, owners))
