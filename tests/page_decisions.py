"""Decisions about pages for tests, of one source and each with an id of its own."""

from __future__ import annotations

from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.ledger import Charge


def origin(name: str, at_us: int) -> Origin:
    return Origin(DECISIONS_SOURCE, name, at_us, at_us)


def waived(name: str, at_us: int, charge: Charge, pages: int) -> PagesDecided:
    return _of(name, at_us, charge, PageDecision("waive", pages, "bad-print", *_release(charge)))


def confirmed(name: str, at_us: int, charge: Charge, pages: int) -> PagesDecided:
    return _of(name, at_us, charge, PageDecision("confirm", pages, "admitted", *_release(charge)))


def undone(name: str, at_us: int, other: PagesDecided) -> PagesDecided:
    said = PageDecision("undo", other.said.pages, "mistake", undoes=other.origin.id)
    return PagesDecided(other.printer, origin(name, at_us), "warden", said)


def _release(charge: Charge) -> tuple[str, str, str]:
    return (charge.channel, charge.release.source, charge.release.release)


def _of(name: str, at_us: int, charge: Charge, said: PageDecision) -> PagesDecided:
    return PagesDecided(charge.printer, origin(name, at_us), "warden", said)
