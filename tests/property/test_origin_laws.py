"""One event in several journals: which one counts is a function of the set, and it counts once."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.facts.claims import HEARD
from pagereeve.domain.facts.facts import Conflict, Fact, Origin, ReleaseStarted
from pagereeve.domain.facts.redating import NOT_AGREED
from pagereeve.domain.facts.sites import of_site
from pagereeve.domain.facts.union import counting_at, identity
from pagereeve.domain.projection.projector import Ledger
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.replay import printer_anew
from pagereeve.store.memory.journal import MemoryJournal
from tests.forwarded import sealed, site_of
from tests.property.days import make_day

SEEDS = st.integers(0, 2**32)
EVERYBODYS = "https://releases.invented.example/"
SITES = ("north", "south")
NOON_US = 1_750_000_000_000_000


def heard_at(random: Random, printer: str, numbers: Sequence[int]) -> list[ReleaseStarted]:
    facts = []
    for number in numbers:
        received_us = NOON_US + number * 60 * SECOND_US + random.choice([0, 0, 1, SECOND_US])
        clock = NOT_AGREED if random.random() < 0.2 else ""
        origin = Origin(EVERYBODYS, f"e{number}", NOON_US, received_us, NOON_US, clock)
        owner = random.choice(["anna", "anna", "ben"])
        facts.append(ReleaseStarted(printer, origin, f"r{number}", "job", owner))
    return facts


@settings(max_examples=200)
@given(SEEDS)
def test_one_of_each_event_counts_whatever_the_order(seed: int) -> None:
    random = Random(seed)
    sets = [[one for one in range(8) if random.random() < 0.7] for _ in range(3)]
    own = heard_at(random, "library", sets[0])
    others = [
        of_site(one, site)
        for site, some in zip(SITES, sets[1:], strict=True)
        for one in heard_at(random, "library", some)
    ]
    everything: list[ReleaseStarted] = [*own, *others]
    timelines = sorted({one.printer for one in everything})
    results = []
    for _ in range(3):
        random.shuffle(everything)
        counted: list[Fact] = []
        for printer in timelines:
            mine = [one for one in everything if one.printer == printer]
            twins = random.sample(everything, len(everything))
            counted += counting_at(printer, mine, twins, SITES)
        results.append(Counter(map(repr, counted)))
        starts = [one for one in counted if isinstance(one, ReleaseStarted)]
        assert Counter(map(identity, starts)) == Counter({identity(one) for one in everything})
        for start in starts:
            twins_of_it = [one for one in everything if identity(one) == identity(start)]
            earliest = min((one.origin.clock == NOT_AGREED, one.origin.received_us) for one in twins_of_it)
            assert (start.origin.clock == NOT_AGREED, start.origin.received_us) == earliest
            other_claims = {one.owner for one in twins_of_it} - {start.owner}
            aside = [one for one in counted if isinstance(one, Conflict) and one.origin.key == start.origin.key]
            # What was said alike at another site is no other claim, although its printer is called otherwise here.
            assert len(aside) == len(other_claims)
    assert results[0] == results[1] == results[2]


async def centre_of(own: Sequence[Fact], north: Sequence[Fact], seed: int) -> dict[str, Ledger]:
    """Facts of both arrive in turns, in their own order each."""
    random, centre, site = Random(seed), MemoryJournal(), await site_of(north)
    batches, waiting, done = sealed(site), list(own), 0
    while waiting or done < len(batches):
        if waiting and (done == len(batches) or random.random() < 0.5):
            await centre.append(waiting.pop(0))
        else:
            upto = min(done + random.randrange(1, 9), len(batches))
            done = (await centre.append_forwarded(await site.own_origin(), "north", batches[done:upto])).place
    return {printer: Ledger.of(await printer_anew(centre, printer)) for printer in await centre.printers()}


@settings(max_examples=25)
@given(SEEDS)
def test_rows_of_all_printers_are_a_function_of_the_set(seed: int) -> None:
    random, day = Random(seed), make_day(seed, 20)
    north = [
        replace(one, origin=replace(one.origin, source=EVERYBODYS)) if isinstance(one, HEARD) else one
        for one in day.facts
    ]
    own = [replace(one, printer="hall") for one in north if isinstance(one, ReleaseStarted) and random.random() < 0.6]
    own = [
        replace(one, origin=replace(one.origin, received_us=one.origin.received_us + random.choice([-9, 0, 9])))
        for one in own
    ]
    once = asyncio.run(centre_of(own, north, seed))
    assert asyncio.run(centre_of(own, north, seed + 1)) == once
    charged = Counter((charge.release, charge.channel) for ledger in once.values() for charge in ledger.charges)
    assert set(charged.values()) <= {1}
