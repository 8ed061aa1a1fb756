"""A setting tried on the real facts of a finding's printer before anybody changes it: bounded, nothing is stored."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import Fact, instant_us
from pagereeve.domain.facts.in_force import Rules, is_standing
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Finding
from pagereeve.domain.projection.projector import needed_from_us
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.projection.what_if import Change, WhatIf, what_if
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.reads import Reads
from pagereeve.ports.resume_points import resume_point_before

DAY_US: Final = 86_400 * SECOND_US
BEFORE_US: Final = 7 * DAY_US
"""So long before a finding it is looked whether the same would have befallen others."""
FACTS_MAX: Final = 4_000
"""About a thousand releases: two projections of as many take two seconds (measured on two cores of 2026)."""


@dataclass(frozen=True, slots=True)
class Span:
    """The facts that a trial goes through. ``cut``: more came after ``to_us``, and were left out."""

    resume_point: ResumePoint | None
    facts: Sequence[Fact]
    from_us: int
    to_us: int
    cut: bool


@dataclass(frozen=True, slots=True)
class Tried:
    """``policy`` is the one in force now; ``came`` is None where what was gone through does not lead to the finding."""

    span: Span
    policy: Policy
    came: WhatIf | None


async def policy_now(held: Reads, printer: str, now_us: int) -> Policy:
    return (await _rules(held, printer)).policy_at(now_us)


async def tried(held: Reads, finding: Finding, change: Change, now_us: int) -> Tried:
    """``held`` is of one moment. From a week before the finding on, or from just before it where that is too much."""
    rules = await _rules(held, finding.printer)
    policy = rules.policy_at(now_us)
    for before_us in (finding.since_us - BEFORE_US, finding.since_us):
        span = await _span(held, finding.printer, rules, before_us, now_us)
        run = None if span.cut else await held.open_run(finding.printer)
        current = None if run is None else run.fact
        came = await asyncio.to_thread(what_if, finding.printer, rules, span.facts, span.resume_point, current, change)
        if finding.id in came.known:
            return Tried(span, policy, came)
        if not span.cut:
            break
    return Tried(span, policy, None)


async def _rules(held: Reads, printer: str) -> Rules:
    return Rules.of([stored.fact for stored in await held.standing_facts(printer)])


async def _span(held: Reads, printer: str, rules: Rules, before_us: int, now_us: int) -> Span:
    point = await resume_point_before(held, printer, before_us, ResumePoint.from_json)
    from_us = None if point is None else needed_from_us(point, rules)
    facts: list[Fact] = []
    cut = False
    async for stored in held.facts(printer, from_us):
        if len(facts) == FACTS_MAX:
            cut = True
            break
        facts.append(stored.fact)
    happened = [instant_us(one) for one in facts if not is_standing(one)]
    begins_us = point.at_us if point is not None else min(happened, default=before_us)
    ends_us = max(happened, default=before_us)
    return Span(point, facts, begins_us, ends_us if cut else max(ends_us, now_us), cut)
