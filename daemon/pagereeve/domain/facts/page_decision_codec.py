"""A decision about pages as members of an event's ``data``; what each act needs, and what it has no use for."""

from __future__ import annotations

from typing import Final, get_args

from pagereeve.domain.facts.page_decision import (
    MOVED_TO_HOUSE,
    PageDecision,
    PagesAct,
    PagesFrom,
    PagesReason,
    PagesTo,
)
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.values.codec import INSTANT, TEXT, Codec, Member, choice, integer, text

_NAME: Final = text(200)


def _is_whole(said: PageDecision) -> tuple[str, str] | None:
    if said.act == "undo":
        return _is_undo(said)
    if said.undoes:
        return "undoes", "is of an undo alone; leave it out"
    if not said.channel:
        return "channel", "is missing; it names the counter, as total"
    if said.of_release is (said.closes_us is not None):
        return "release_id", "with release_source names a release, closes the end of a gap; say one of the two"
    return _is_move(said) if said.act == "move" else _is_of_a_claim(said)


def _is_of_a_claim(said: PageDecision) -> tuple[str, str] | None:
    if not said.of_release:
        return "release_id", f"is missing; {said.act} is about the unproven pages of a release"
    if said.taken_from or said.to or said.to_name:
        return "to", f"and from are of a move alone; {said.act} needs neither"
    return None


def _is_undo(said: PageDecision) -> tuple[str, str] | None:
    if not said.undoes:
        return "undoes", "is missing; it names the decision that is to count no more"
    others = (said.channel, said.release_source, said.release_id, said.taken_from, said.to, said.to_name)
    if any(others) or said.closes_us is not None:
        return "undoes", "names the whole decision; leave the channel, the release and where pages go out"
    return None


def _is_move(said: PageDecision) -> tuple[str, str] | None:
    known = ("unproven", "surplus", "unattributed") if said.of_release else ("stray",)
    if said.taken_from not in known:
        return "from", f"must be one of {', '.join(known)} for pages of a {'release' if said.of_release else 'gap'}"
    if not said.to or not said.to_name:
        return "to_name", "is missing, or to is; together they say who receives the pages"
    if said.to != "house":
        return None
    if said.taken_from == "unproven":
        return "to", "is a house account, but no count supports unproven pages; waive them"
    if said.to_name not in MOVED_TO_HOUSE or said.to_name == said.taken_from:
        return "to_name", f"must be another house account than from; known are {', '.join(MOVED_TO_HOUSE)}"
    return None


PAGE_DECISION: Final = Codec(
    PageDecision,
    Member("act", choice(get_args(PagesAct))),
    Member("pages", integer(1, PAGES_MAX)),
    Member("reason", choice(get_args(PagesReason))),
    Member("channel", _NAME, default=""),
    Member("release_source", TEXT, default=""),
    Member("release_id", _NAME, default=""),
    Member("closes_us", INSTANT, "closes", default=None),
    Member("taken_from", choice(get_args(PagesFrom)), "from", default=""),
    Member("to", choice(get_args(PagesTo)), default=""),
    Member("to_name", _NAME, default=""),
    Member("undoes", TEXT, default=""),
    Member("text", TEXT, default=""),
    check=_is_whole,
)
