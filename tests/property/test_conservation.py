"""The check from outside agrees with the ledger on random days, and sees what is tampered with."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Posting
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from tests.property.days import PRINTER, make_day

SEEDS = st.integers(0, 2**32)


def projected(seed: int) -> Projected:
    day = make_day(seed)
    projector = PrinterProjector(PRINTER, Rules(), hold_back_us=2**62)
    for fact in day.facts:
        projector.add(fact)
    projector.open_run(day.open_run)
    return projector.projected()


@given(SEEDS)
def test_last_cut_less_first_reading_is_what_accounts_received(seed: int) -> None:
    everything = projected(seed)
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, everything.postings())
    assert [line.run for line in lines] == [run.number for run in everything.runs.runs]
    assert [line for line in lines if not line.ok] == []


@given(SEEDS, st.integers(0, 10**6), st.sampled_from(["one page more", "dropped", "twice", "unbalanced", "other run"]))
def test_a_posting_that_was_tampered_with_is_found(seed: int, where: int, how: str) -> None:
    everything = projected(seed)
    postings = everything.postings()
    moving = [one for one in postings if one.legs and one.legs[0][1] < 0]
    if not moving:
        return
    victim = moving[where % len(moving)]
    others = list(postings)
    others.remove(victim)
    tampered = others + _tampered(victim, how)
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, tampered)
    assert any(not line.ok for line in lines)


def _tampered(posting: Posting, how: str) -> list[Posting]:
    (meter, given_), *received = posting.legs
    (account, pages), *rest = received
    match how:
        case "one page more":
            return [replace(posting, legs=((meter, given_ - 1), (account, pages + 1), *rest))]
        case "dropped":
            return []
        case "twice":
            return [posting, posting]
        case "unbalanced":
            return [replace(posting, legs=((meter, given_ - 1), *received))]
        case _:
            return [replace(posting, run=posting.run + 1000)]
