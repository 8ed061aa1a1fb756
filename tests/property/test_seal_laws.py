"""The seal does not depend on how facts were grouped into transactions, nor on which store holds them."""

from __future__ import annotations

import asyncio
import itertools
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import Fact, FactDamaged, Redated
from pagereeve.domain.seal.chain import entry
from pagereeve.domain.seal.merkle import Frontier, PathHeads, head_from_inclusion, head_of, inclusion_ranges, leaf_hash
from pagereeve.ports.store import Store
from pagereeve.queries.verify import verify
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.journal import SqlJournal
from tests.facts_strategies import FACTS

ORIGIN = "0" * 32


def counted() -> Callable[[int], bytes]:
    """Salts that are the same each time."""
    number = itertools.count()
    return lambda count: bytes(next(number) % 256 for _ in range(count))


async def stored(store: Store, groups: Sequence[Sequence[Fact]]) -> str:
    """The head after the groups; of two journals it is comparable where their origin is one."""
    for group in groups:
        await store.append_together(group)
    done = await verify(store)
    assert done.is_good
    assert done.head is not None
    return done.head.head


async def in_memory(groups: Sequence[Sequence[Fact]]) -> str:
    journal = MemoryJournal()
    journal._seal.origin = ORIGIN
    # From the first fact on: its own id has come of chance, too.
    journal._salts = counted()
    return await stored(journal, groups)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Copied for each example: making the tables would take longer than all the rest."""
    path = tmp_path_factory.mktemp("empty") / "journal.sqlite"

    async def make() -> None:
        await (await SqlJournal.open(path, SystemClock())).close()

    asyncio.run(make())
    return path


async def on_disk(empty: Path, groups: Sequence[Sequence[Fact]]) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(shutil.copy(empty, folder))
        journal = await SqlJournal.open(path, SystemClock())
        sealing = journal._writer.committer.heads.sealing
        sealing.salts = counted()
        assert sealing.state is not None
        sealing.state.origin = ORIGIN
        head = await journal._thread.run_raw(lambda raw: raw.execute("UPDATE seal SET origin = ?", (ORIGIN,)).rowcount)
        assert head == 1
        try:
            return await stored(journal, groups)
        finally:
            await journal.close()


def grouped(items: Sequence[Fact], cuts: Sequence[bool]) -> list[list[Fact]]:
    groups: list[list[Fact]] = [[]]
    for item, cut in zip(items, itertools.cycle(cuts), strict=False):
        if cut and groups[-1]:
            groups.append([])
        groups[-1].append(item)
    return groups


@settings(max_examples=20)
@given(
    st.lists(FACTS.filter(lambda fact: not isinstance(fact, FactDamaged | Redated | Erased)), min_size=1, max_size=8),
    st.lists(st.booleans(), min_size=1, max_size=8),
)
def test_the_head_is_the_same_however_facts_are_grouped_and_wherever_they_are_stored(
    empty: Path, items: list[Fact], cuts: list[bool]
) -> None:
    async def all_heads() -> set[str]:
        one_by_one = [[item] for item in items]
        return {
            await in_memory(one_by_one),
            await in_memory(grouped(items, cuts)),
            await in_memory([items]),
            await on_disk(empty, grouped(items, cuts)),
        }

    assert len(asyncio.run(all_heads())) == 1


@given(st.integers(1, 300), st.data())
def test_each_entry_has_a_path_to_the_head_and_no_other_entry_takes_it(size: int, data: st.DataObject) -> None:
    leaves = [leaf_hash(entry(ORIGIN, "printer", number, b"")) for number in range(size)]
    index = data.draw(st.integers(0, size - 1))
    heads, tree = PathHeads(inclusion_ranges(index, size)), Frontier()
    for leaf in leaves:
        heads.add(leaf)
        tree.add(leaf)
    head, path = head_of(leaves), heads.path()
    assert tree.head() == head
    assert head_from_inclusion(leaves[index], index, size, path) == head
    other = data.draw(st.integers(0, size - 1).filter(lambda number: size == 1 or number != index))
    if other != index:
        assert head_from_inclusion(leaves[other], index, size, path) != head
        assert head_from_inclusion(leaves[index], other, size, path) != head
