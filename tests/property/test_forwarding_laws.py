"""Batches: any facts pass, whatever is cut, repeated or mixed; and no bytes do more than be refused by name."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Fact, FactDamaged
from pagereeve.domain.forwarding.batch import batch_bytes, read_batch
from pagereeve.domain.forwarding.refusal import CAUSES, BatchRefused
from tests.facts_strategies import FACTS
from tests.forwarding import KeepingCentre, SealingSite

STORED = FACTS.filter(lambda fact: not isinstance(fact, FactDamaged))


def site_of(facts: list[Fact], seed: int = 0) -> SealingSite:
    site = SealingSite(seed=seed)
    site.store(facts)
    return site


@given(st.lists(STORED, min_size=1, max_size=8), st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), max_size=12))
def test_whatever_comes_in_whatever_order_what_is_held_is_a_beginning_of_what_was_sealed(
    facts: list[Fact], sent: list[tuple[int, int]]
) -> None:
    site, centre = site_of(facts), KeepingCentre()
    for after, limit in sent:
        batch = read_batch(batch_bytes(site.batch(min(after, len(facts)), limit)))
        refused = centre.refusal(batch)
        if refused is not None:
            assert refused.cause == "gap"
            assert refused.has is not None
            assert refused.has < batch.after
    centre.join(read_batch(batch_bytes(site.batch())))
    assert centre.origins[site.origin].facts == site.sealed


@given(st.lists(STORED, min_size=2, max_size=6), st.integers(0, 5), st.integers(1, 3))
def test_a_journal_that_was_set_back_never_replaces_a_fact(facts: list[Fact], kept: int, more: int) -> None:
    """The facts that it takes up again are sealed under other salts, or in another order."""
    site, centre = site_of(facts), KeepingCentre()
    centre.join(site.batch())
    kept = min(kept, len(facts) - 1)
    older = site_of(facts[:kept])
    older.store((facts[kept:] * (more + 1))[1 : 1 + more])
    before = list(centre.origins[site.origin].facts)
    shorter = min(len(older.sealed), len(site.sealed))
    same = older.sealed[:shorter] == site.sealed[:shorter]
    for after in range(len(older.sealed) + 1):
        refused = centre.refusal(older.batch(after))
        if refused is None:
            assert same or not older.batch(after).facts
        else:
            assert not same
            # Whoever has more than is held, and asks for that to be joined, is asked for what is before it.
            assert refused.cause == ("gap" if after > len(before) else "fork")
        assert centre.origins[site.origin].facts[: len(before)] == before


@given(st.lists(STORED, min_size=1, max_size=4), st.data())
def test_a_flipped_bit_is_refused_by_name_or_changes_nothing(facts: list[Fact], data: st.DataObject) -> None:
    site, centre = site_of(facts), KeepingCentre()
    raw = bytearray(batch_bytes(site.batch()))
    place = data.draw(st.integers(0, len(raw) - 1))
    raw[place] ^= 1 << data.draw(st.integers(0, 7))
    cause = ""
    try:
        centre.join(read_batch(bytes(raw)))
    except BatchRefused as error:
        cause = error.cause
    assert cause in {"", *CAUSES}
    assert bool(centre.origins) == (cause == "")
    if not cause:
        # The size of the journal, its id where no fact rests on it, and openings of nothing are not under a link.
        (kept,) = centre.origins.values()
        assert [one.sealed for one in kept.facts] == [one.sealed for one in site.sealed]
        assert [one.body for one in kept.facts] == [one.body for one in site.sealed]


@given(st.binary(max_size=400) | st.text(max_size=200).map(lambda text: text.encode(errors="ignore") + b"\n"))
def test_no_bytes_do_more_than_be_refused_by_name(raw: bytes) -> None:
    with pytest.raises(BatchRefused) as caught:
        read_batch(raw)
    assert caught.value.cause in CAUSES


@given(st.lists(STORED, min_size=1, max_size=4), st.data())
def test_what_is_the_sites_word_alone_is_not_believed_of_another(facts: list[Fact], data: st.DataObject) -> None:
    """A lying site may make a chain of its own, and gets no hold of another's."""
    site, centre = site_of(facts), KeepingCentre()
    centre.join(site.batch())
    thief = replace(site.batch(), site=data.draw(st.sampled_from(["other", "Annex", "annex "])))
    with pytest.raises(BatchRefused) as caught:
        centre.join(thief, thief.site)
    assert caught.value.cause == "wrong-origin"
