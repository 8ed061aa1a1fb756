"""Deliveries that differ from what came first: the same findings in any order, and in bounds whatever the number."""

from __future__ import annotations

from collections import defaultdict
from contextlib import AbstractContextManager
from random import Random
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Conflict, Fact, Origin
from pagereeve.domain.findings import conflicts as told
from pagereeve.domain.findings.conflicts import DAY_US, ConflictsKept, tallied
from pagereeve.domain.findings.finding import finding_id
from pagereeve.domain.ledger import Finding
from pagereeve.domain.projection.projector import Ledger, rebuild, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping
from tests.unit.domain.story import PRINTER, Story, at_us

KIND = "pagereeve.release.started.v1"
SEEDS = st.integers(0, 2**32)
HOLD_BACKS_US = st.sampled_from([0, 5 * SECOND_US, 120 * SECOND_US])
# Small ones, so that a short story comes to each of them.
DELIVERIES, SOURCES, SHOWN = 7, 3, 2


def small() -> AbstractContextManager[object]:
    return patch.multiple(told, DELIVERIES_MAX=DELIVERIES, SOURCES_MAX=SOURCES, SHOWN_MAX=SHOWN)


def conflict(source: str, event: str, instant_us: int, digest: str = "0" * 64) -> Conflict:
    return Conflict(PRINTER, Origin(source, event, instant_us, instant_us), KIND, digest)


def a_story(seed: int) -> tuple[Story, list[Conflict]]:
    """Readings over three days, and conflicts among them that come at once, late, or after the next ones."""
    random, story, said = Random(seed), Story(), list[Conflict]()
    sources = [f"urn:s:{nth}" for nth in range(random.choice([1, 2, SOURCES, SOURCES + 1, 2 * SOURCES]))]
    second = 0.0
    story.rest(second, second + 60, 100, every=20)
    while second < 3 * 86_400:
        for nth in range(random.choice([0, 1, 3, 12])):
            happened = second + 60 - random.choice([0, 0, 1, 3_600, 86_400])
            event = f"e-{int(second)}-{random.randrange(nth + 1)}"
            digest = f"{len(said):064}"
            said.append(story.conflict(happened, event, source=random.choice(sources), digest=digest))
        second += random.choice([3_600, 20_000, 40_000])
        story.rest(second, second + 60, 100, every=20)
    return story, said


def counted(said: list[Conflict]) -> dict[tuple[str, int], tuple[int, list[str]]]:
    """By hand: of each day and source how many, and the first; the last sources by name are one."""
    days: dict[int, dict[str, list[Conflict]]] = defaultdict(lambda: defaultdict(list))
    for one in said:
        days[one.origin.at_us // DAY_US][one.origin.source].append(one)
    found: dict[tuple[str, int], tuple[int, list[str]]] = {}
    for day, by_source in days.items():
        groups = {name: by_source[name] for name in sorted(by_source)[:SOURCES]}
        pooled = [one for name in sorted(by_source)[SOURCES:] for one in by_source[name]]
        for name, group in [*groups.items(), *([("", pooled)] if pooled else [])]:
            group.sort(key=lambda one: (one.origin.at_us, one.origin.source, one.origin.id, one.digest))
            found[name, day * DAY_US] = min(len(group), DELIVERIES), [one.origin.id for one in group[:SHOWN]]
    return found


def as_counted(findings: list[Finding]) -> dict[str, tuple[int, list[str]]]:
    return {
        one.id: (
            int(str(one.what.value("count") or 1)),
            [str(piece.value("event")) for piece in one.evidence if piece.kind == "event"],
        )
        for one in findings
        if one.kind == "conflicting-duplicate"
    }


def expected(said: list[Conflict]) -> dict[str, tuple[int, list[str]]]:
    return {finding_id("conflicting-duplicate", PRINTER, anchor): shown for anchor, shown in counted(said).items()}


@pytest.mark.plain
@given(SEEDS)
@settings(max_examples=40)
def test_they_are_one_finding_for_each_source_and_day_in_any_order(seed: int) -> None:
    with small():
        story, said = a_story(seed)
        ledger = replay(PRINTER, story.facts, story.current)
        assert as_counted(ledger.findings) == expected(said)
        mixed: list[Fact] = [*story.facts, *story.facts]
        Random(seed).shuffle(mixed)
        assert replay(PRINTER, mixed, story.current) == ledger
        assert Ledger.of(rebuild(PRINTER, mixed, story.current)) == ledger


@pytest.mark.plain
@given(SEEDS, HOLD_BACKS_US, st.integers(0, 6))
@settings(max_examples=40)
def test_fact_by_fact_and_over_resume_points_they_are_the_same(seed: int, hold_back_us: int, restarts: int) -> None:
    with small():
        story, said = a_story(seed)
        stops = {Random(seed).randrange(len(story.steps)) for _ in range(restarts)}
        keeping = Keeping(PRINTER, hold_back_us)
        for place, (fact, current) in enumerate(story.steps):
            if place in stops:
                keeping.begin_again()
            keeping.take(fact, current)
        assert keeping.ledger() == replay(PRINTER, story.facts, story.current)
        assert as_counted(keeping.ledger().findings) == expected(said)


@pytest.mark.plain
@given(SEEDS)
@settings(max_examples=40)
def test_what_is_kept_of_them_tells_the_same_as_all_of_them(seed: int) -> None:
    with small():
        random = Random(seed)
        said = {
            conflict(f"urn:s:{random.randrange(8)}", f"e-{nth}", at_us(random.randrange(100_000))) for nth in range(150)
        }
        kept = ConflictsKept()
        for one in random.sample(sorted(said, key=repr), len(said)) + random.sample(sorted(said, key=repr), 50):
            kept.add(one)
        days = len({one.origin.at_us // DAY_US for one in said})
        assert len(kept.all()) <= days * (SOURCES + 1) * DELIVERIES
        assert tallied((), kept.all()) == tallied((), said)


def test_four_thousand_ids_are_one_finding_and_stay_small() -> None:
    """4,000 of these were 4,000 findings, and 37 MB of rows and memory."""
    keeping = Keeping(PRINTER, 0)
    story = Story()
    story.rest(0, 60, 100)
    for fact, current in story.steps:
        keeping.take(fact, current)
    for nth in range(4_000):
        keeping.projector.add(conflict("urn:s", f"e-{nth}", at_us(60.5) + nth, f"{nth:064x}"))
    keeping.take(conflict("urn:s", "the last one", at_us(61)), story.current)
    [finding] = [one for one in keeping.ledger().findings if one.kind == "conflicting-duplicate"]
    assert (finding.what.value("count"), finding.what.value("at_least")) == (1_000, 1)
    assert len(keeping.projector.projected().conflicts) == 1_000
    done = len(story.steps)
    story.rest(100, 300, 100)
    for fact, current in story.steps[done:]:
        keeping.take(fact, current)
    assert not keeping.projector.projected().conflicts
    assert finding in keeping.ledger().findings
