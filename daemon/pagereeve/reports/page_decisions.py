"""Decisions about pages in words, as JSON and as a table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.reports.text import plain

_ACTS: Final = {"waive": "waived", "confirm": "confirmed", "move": "moved", "undo": "undone"}
_FROM: Final = {
    "unproven": "the unproven claim",
    "surplus": "house:surplus",
    "stray": "house:stray",
    "unattributed": "house:unattributed",
}


def decision_text(said: PageDecision) -> str:
    """What is done, without whose pages they are."""
    pages = amount(said.pages, "page")
    if said.act == "undo":
        return f"undo {said.undoes} ({pages})"
    if said.act == "move":
        return f"move {pages} ({said.channel}) from {_FROM[said.taken_from]} to {receiver_text(said)}"
    return f"{said.act} {pages} ({said.channel})"


def receiver_text(said: PageDecision) -> str:
    if said.to == "house":
        return f"house:{said.to_name}"
    return f"{'person' if said.to == 'person' else 'cost centre'} {said.to_name or '(left out)'}"


def subject_text(said: PageDecision, printer: str) -> str:
    if said.of_release:
        return f"release {said.release_id} of {said.release_source}"
    return "" if said.closes_us is None else f"gap at {printer} that closed {to_text(said.closes_us)}"


def state_text(ruling: Ruling) -> str:
    if ruling.refused is not None:
        return f"not in force: {ruling.problem}"
    if ruling.undone_by:
        return f"undone by {ruling.undone_by}"
    return "in force"


def decided_lines(rulings: Iterable[Ruling], zone: ZoneInfo) -> Iterator[str]:
    """For an explanation: what was decided, when, why, and by whom, as far as that may be said."""
    for one in rulings:
        said = one.decided.said
        by = f", by {one.decided.by}" if one.decided.by else ""
        words = f": {said.text}" if said.text else ""
        at = local_text(one.decided.origin.at_us, zone)
        yield f"{at}  {decision_text(said)}, because {said.reason}{words}{by}; {state_text(one)}"


def after_decisions(charge: Charge, rulings: Sequence[Ruling]) -> tuple[int, int]:
    """(charged to the owner, unproven) of a release's channel, with what decisions in force change."""
    charged, unproven = charge.charged, charge.unproven
    for one in rulings:
        posting = one.in_force
        if posting is None or posting.channel != charge.channel:
            continue
        unproven += posting.unproven
        if one.decided.said.act == "confirm":
            charged += one.decided.said.pages
    return charged, unproven


def ruling_json(ruling: Ruling) -> dict[str, Any]:
    decided, said = ruling.decided, ruling.decided.said
    posting = ruling.in_force
    return {
        "decision": decided.origin.id,
        "at": to_text(decided.origin.at_us),
        "by": decided.by or None,
        "act": said.act,
        "pages": said.pages,
        "channel": said.channel or None,
        "printer": decided.printer or None,
        "release": {"source": said.release_source, "release": said.release_id} if said.of_release else None,
        "closes": None if said.closes_us is None else to_text(said.closes_us),
        "from": said.taken_from or None,
        "to": said.to or None,
        "to_name": said.to_name or None,
        "undoes": said.undoes or None,
        "reason": said.reason,
        "text": said.text,
        "in_force": posting is not None or (said.act == "undo" and ruling.refused is None),
        "undone_by": ruling.undone_by or None,
        "problem": ruling.problem or None,
        "legs": [] if posting is None else [{"account": name, "pages": pages} for name, pages in posting.legs],
        "unproven": 0 if posting is None else posting.unproven,
    }


def decisions_table(rulings: Iterable[Ruling], zone: ZoneInfo) -> Table:
    table = Table()
    for heading in ("decision", "at", "by", "what", "of", "reason", "state"):
        table.add_column(heading, overflow="fold")
    for one in rulings:
        said = one.decided.said
        reason = f"{said.reason}: {said.text}" if said.text else said.reason
        cells = (one.decided.origin.id, local_text(one.decided.origin.at_us, zone), one.decided.by, decision_text(said))
        table.add_row(*map(plain, (*cells, subject_text(said, one.decided.printer), reason, state_text(one))))
    return table
