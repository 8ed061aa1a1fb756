"""Facts are a set: by however many endpoints, in whatever order and over however many journals they come."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from random import Random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.facts.claims import HEARD, Heard, claim_digest, kind_of
from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Conflict, Fact, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.union import joined
from pagereeve.domain.projection.projector import Ledger, rebuild, replay
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.reports.facts_file import read_lines
from pagereeve.reports.projected import FactsInHand, printer_json, project_printer
from tests.property.days import PRINTER, Day, make_day

SEEDS = st.integers(0, 2**32)
ENDPOINTS_MAX = 3


def heard_first(day: Day, random: Random) -> list[Fact]:
    """The day's facts, of which some events bear no time of their own: their arrival counts."""
    facts: list[Fact] = []
    for fact in day.facts:
        if isinstance(fact, HEARD) and random.random() < 0.3:
            facts.append(_received(replace(fact, origin=replace(fact.origin, occurred_us=None, clock="missing")), 0))
        else:
            facts.append(fact)
    return facts


def _received(fact: Heard, later_us: int) -> Heard:
    """The same event at an endpoint that receives it so much later."""
    received_us = fact.origin.received_us + later_us
    at_us = received_us if fact.origin.clock == "missing" else fact.origin.at_us
    return replace(fact, origin=replace(fact.origin, received_us=received_us, at_us=at_us))


def elsewhere(facts: Sequence[Fact], random: Random) -> Iterator[Fact]:
    """What the other endpoints heard of the same events, later; one that knows no start places no end."""
    for fact in facts:
        if isinstance(fact, HEARD):
            for _ in range(random.randrange(ENDPOINTS_MAX)):
                twin = _received(fact, random.choice([0, 1, 40_000, 5 * SECOND_US, 900 * SECOND_US]))
                unplaced = isinstance(twin, ReleaseEnded) and random.random() < 0.3
                yield replace(twin, printer="") if unplaced else twin


def ledger_of(facts: Sequence[Fact], day: Day, random: Random | None = None) -> dict[str, Any]:
    """As ``pagereeve project`` says of the file."""
    lines = [to_json(fact) for fact in facts]
    if day.open_run is not None:
        lines.append(to_json(day.open_run) | {"open": True})
    if random is not None:
        random.shuffle(lines)
    file = io.BytesIO(b"\n".join(json.dumps(line).encode() for line in lines))
    held = FactsInHand.of(read_lines(file))
    return printer_json(project_printer(PRINTER, held.printers[PRINTER]))


@settings(max_examples=60)
@given(SEEDS, st.booleans())
def test_endpoints_order_and_journals_change_nothing(seed: int, life: bool) -> None:
    random, day = Random(seed), make_day(seed, 25, life=life)
    facts = heard_first(day, random)
    once = ledger_of(facts, day)
    assert ledger_of([*facts, *elsewhere(facts, random)], day, random) == once


@settings(max_examples=60)
@given(SEEDS)
def test_a_rebuild_and_a_replay_of_twins_are_those_of_the_first_received(seed: int) -> None:
    random, day = Random(seed), make_day(seed, 25)
    facts = heard_first(day, random)
    twins = [fact for fact in elsewhere(facts, random) if fact.printer]
    mixed = [*facts, *twins]
    random.shuffle(mixed)
    once = replay(PRINTER, facts, day.open_run)
    assert replay(PRINTER, mixed, day.open_run) == once
    assert Ledger.of(rebuild(PRINTER, mixed, day.open_run)) == once


def other_claim(fact: ReleaseStarted, later_us: int) -> ReleaseStarted:
    origin = replace(fact.origin, received_us=fact.origin.received_us + later_us)
    return replace(fact, owner="somebody-else", origin=origin)


@settings(max_examples=60)
@given(SEEDS, st.integers(-900, 900).filter(bool))
def test_another_claim_is_one_conflict_whichever_journal_kept_it_aside(seed: int, later_s: int) -> None:
    """Both events in two journals; or one journal that stored the first and keeps a Conflict of the second."""
    random, day = Random(seed), make_day(seed, 20)
    starts = [fact for fact in day.facts if isinstance(fact, ReleaseStarted)]
    if not starts:
        return
    one = random.choice(starts)
    other = other_claim(one, later_s * SECOND_US)
    first, second = sorted([one, other], key=lambda fact: fact.origin.received_us)
    rest = [fact for fact in day.facts if fact != one]
    aside = Conflict(PRINTER, second.origin, kind_of(second), claim_digest(second))
    known = ledger_of([*rest, first, aside], day)
    assert ledger_of([*rest, one, other], day, random) == known
    crossed = Conflict(PRINTER, first.origin, kind_of(first), claim_digest(first))
    assert ledger_of([*rest, first, aside, second, crossed], day, random) == known


@given(SEEDS)
def test_a_join_of_joined_facts_is_the_same(seed: int) -> None:
    random, day = Random(seed), make_day(seed, 20, life=True)
    facts = [*day.facts, *elsewhere(day.facts, random)]
    some, others = facts[::2], facts[1::2]
    whole = set(map(repr, joined(facts)))
    assert set(map(repr, joined([*joined(others), *joined(some)]))) == whole
    assert set(map(repr, joined(joined(facts)))) == whole
