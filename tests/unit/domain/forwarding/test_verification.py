"""What a centre joins of a batch, and what it refuses by name."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.forwarding.batch import Batch, SealedBody, SealedPlace
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.forwarding.verification import link_of
from pagereeve.domain.seal.chain import first_link
from tests.forwarding import KeepingCentre, SealingSite
from tests.journal_samples import badge, read, started


def site(seed: int = 0, facts: int = 9) -> SealingSite:
    """Facts of two printers by turns, some of them personal."""
    whole = SealingSite(seed=seed)
    for number in range(facts):
        printer = ("rs", "library")[number % 2]
        kind = number % 3
        if kind == 0:
            whole.store([badge(f"badge-{number}", printer)])
        elif kind == 1:
            whole.store([read(100 + number, printer)])
        else:
            whole.store([started(f"release-{number}", printer)])
    return whole


def refused(centre: KeepingCentre, batch: Batch, by: str = "annex") -> BatchRefused:
    before = {name: list(kept.facts) for name, kept in centre.origins.items()}
    with pytest.raises(BatchRefused) as caught:
        centre.join(batch, by)
    assert {name: kept.facts for name, kept in centre.origins.items()} == before
    return caught.value


def test_batches_in_order_join_once_each() -> None:
    annex, centre = site(), KeepingCentre()
    assert [centre.join(annex.batch(after, 4)) for after in (0, 4, 8)] == [4, 4, 1]
    assert centre.origins[annex.origin].facts == annex.sealed


def test_a_batch_that_comes_again_adds_nothing_and_one_that_overlaps_only_what_is_new() -> None:
    annex, centre = site(), KeepingCentre()
    assert centre.join(annex.batch(0, 4)) == 4
    assert centre.join(annex.batch(0, 4)) == 0
    assert centre.join(annex.batch(2, 4)) == 2
    assert centre.join(annex.batch(0)) == 3
    assert centre.origins[annex.origin].facts == annex.sealed


def test_what_left_a_gap_is_refused_and_says_from_where_on() -> None:
    annex, centre = site(), KeepingCentre()
    centre.join(annex.batch(0, 2))
    error = refused(centre, annex.batch(4, 2))
    assert (error.cause, error.has, error.place) == ("gap", 2, 3)
    # Without facts it only asks, wherever the site is.
    assert centre.join(annex.batch(9)) == 0


def test_a_journal_that_was_set_back_and_went_on_is_a_fork() -> None:
    annex, centre = site(), KeepingCentre()
    centre.join(annex.batch())
    older = site(facts=5)
    older.store([read(500, "rs"), read(501, "library")])
    for batch in (older.batch(), older.batch(5), older.batch(7)):
        error = refused(centre, batch)
        assert (error.cause, error.has) == ("fork", 9)
    # Set back, and nothing since: the past is the same.
    assert centre.join(site(facts=5).batch()) == 0


def test_an_edited_past_is_a_fork_even_where_the_latest_place_agrees() -> None:
    """Somebody edits one printer's facts and seals them anew: its next fact goes on from a link that nobody holds."""
    annex, centre = site(), KeepingCentre()
    centre.join(annex.batch())
    edited = site(seed=1)
    edited.store([read(700, "library")])
    annex.store([read(700, "library")])
    right, wrong = annex.batch(9), edited.batch(9)
    mixed = replace(right, links=wrong.links, facts=wrong.facts)
    assert refused(centre, mixed).cause == "fork"
    assert centre.join(right) == 1


def test_salts_make_two_journals_of_the_same_facts_different() -> None:
    one, other, centre = site(), site(seed=1), KeepingCentre()
    centre.join(one.batch())
    assert refused(centre, other.batch()).cause == "fork"


def test_a_fact_that_was_changed_on_the_way_does_not_give_its_link() -> None:
    annex, centre = site(), KeepingCentre()
    batch = annex.batch()
    for place, one in enumerate(batch.facts):
        assert one.body is not None
        changed = replace(one, body=one.body.replace('"printer":"', '"printer":"x', 1))
        assert changed.body != one.body
        facts = [*batch.facts[:place], changed, *batch.facts[place + 1 :]]
        error = refused(centre, replace(batch, facts=facts))
        assert (error.cause, error.place) == ("broken-link", place + 1)


def test_a_body_with_a_name_twice_or_with_openings_too_many_gives_no_link() -> None:
    annex, centre = site(facts=1), KeepingCentre()
    (one,) = annex.sealed
    assert one.body is not None
    for other in (
        replace(one, body=one.body[:-1] + "," + one.body[1:]),
        replace(one, openings=f"{one.openings} {'00' * 16}"),
        replace(one, openings="no digits"),
        replace(one, body="{"),
        replace(one, body="[" * 100_000),
        replace(one, body="null"),
    ):
        assert refused(centre, replace(annex.batch(), facts=[other])).cause == "broken-link"


def test_a_fact_whose_row_is_gone_keeps_the_chain_by_its_link() -> None:
    annex, centre = site(), KeepingCentre()
    batch = annex.batch()
    facts = [replace(one, body=None, openings="") if place in {0, 4} else one for place, one in enumerate(batch.facts)]
    assert centre.join(replace(batch, facts=facts)) == 9
    annex.store([read(900, "rs")])
    assert centre.join(annex.batch(9)) == 1


def test_nobody_forwards_for_another_site() -> None:
    annex, centre = site(), KeepingCentre()
    assert refused(centre, annex.batch(), by="elsewhere").cause == "wrong-origin"
    centre.join(annex.batch())
    taken = replace(annex.batch(), site="elsewhere")
    assert refused(centre, taken, by="elsewhere").cause == "wrong-origin"


def test_numbers_of_a_timeline_only_rise() -> None:
    annex, centre = site(), KeepingCentre()
    centre.join(annex.batch(0, 4))
    batch = annex.batch(4, 1)
    (one,) = batch.facts
    again = SealedBody(SealedPlace(one.sealed.timeline, 1, one.sealed.link), one.body, one.openings)
    assert refused(centre, replace(batch, facts=[again])).cause == "malformed"


def test_a_kind_of_fact_that_is_not_known_waits_for_a_newer_centre() -> None:
    annex, centre = site(facts=1), KeepingCentre()
    body = '{"fact":"of-the-future","printer":"rs"}'
    link = link_of(body, "", annex.batch().links["rs"])
    assert link is not None
    future = SealedBody(SealedPlace("rs", 1, link), body)
    error = refused(centre, replace(annex.batch(), facts=[future]))
    assert (error.cause, error.place) == ("unknown-fact", 1)
    assert "upgrade the centre" in error.problem


def test_a_fact_of_another_printer_than_its_timeline_is_refused() -> None:
    annex, centre = site(facts=1), KeepingCentre()
    batch = annex.batch()
    (one,) = batch.facts
    first = first_link(annex.origin, "library")
    assert one.body is not None
    link = link_of(one.body, one.openings, first)
    assert link is not None
    moved = SealedBody(SealedPlace("library", 1, link), one.body, one.openings)
    assert refused(centre, replace(batch, links={"library": first}, facts=[moved])).cause == "malformed"
