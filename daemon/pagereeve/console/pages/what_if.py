"""``/findings/{finding}/what-if``: what a setting that a finding names would have changed, before anybody writes it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.finding import FindingName
from pagereeve.console.pages.finding_lines import FindingLine, line_of
from pagereeve.console.pages.findings import HERE
from pagereeve.console.pages.shell import Clock
from pagereeve.domain.ledger import Finding
from pagereeve.domain.projection.what_if import Change, WhatIf, change_named
from pagereeve.domain.values.toml_text import toml_value
from pagereeve.ports.reads import Reads
from pagereeve.queries.what_if import Tried, policy_now, tried

TRIED_S: Final = 20.0
SHOWN: Final = 50

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class ChangeAsked(Asked):
    """``set`` is the name of a change, as the finding's page has it."""

    change: str = Field(alias="set", max_length=100)


@dataclass(frozen=True, slots=True)
class Cut:
    """As many as are shown of a list, and how many there are besides."""

    lines: tuple[FindingLine, ...]
    more: int

    @property
    def count(self) -> int:
        return len(self.lines) + self.more


@router.get(f"{HERE}/{{name}}/what-if")
async def what_if_page(
    context: Context, asker: Asking, begun: Beginning, name: FindingName, asked: Annotated[ChangeAsked, Query()]
) -> HTMLResponse:
    change = change_named(asked.change)
    if change is None:
        raise ApiProblem("bad-parameter", "set", "is no setting that can be tried; the finding's page has those")
    now_us, clock = context.now_us(), Clock(context.site.zone)
    async with context.look() as held:
        finding = await _found(held, name)
        words = change.words(await policy_now(held, finding.printer, now_us))
    line = line_of(finding, clock)
    context.turns.require_long()
    begun.shows("what_if.html", asker, clock.zone, HERE, now_us=now_us, finding=finding, line=line, words=words)
    finding, found = await _tried(context, name, change, now_us)
    came = found.came
    return begun.page(
        entry_name=toml_value(finding.printer),
        tried=found,
        came=came,
        gone=_cut(() if came is None else came.gone, clock),
        come=_cut(() if came is None else came.come, clock),
        other=() if came is None else came.other[:SHOWN],
        charges=() if came is None else came.charges[:SHOWN],
        goes=came is not None and any(one.id == finding.id for one in came.gone),
        pages=_pages(came),
    )


async def _tried(context: ApiContext, name: str, change: Change, now_us: int) -> tuple[Finding, Tried]:
    """In one of the few turns for what takes long. What took too long runs to its end, which its facts bound."""
    async with context.long_question() as held:
        finding = await _found(held, name)
        try:
            async with asyncio.timeout(TRIED_S):
                return finding, await tried(held, finding, change, now_us)
        except TimeoutError:
            raise ApiProblem("too-slow", "what-if", f"took longer than {TRIED_S:g} s; ask again later") from None


async def _found(held: Reads, name: str) -> Finding:
    finding = await held.finding(name)
    if finding is None:
        raise ApiProblem("not-found", "finding", f"{name[:40]!r} is no finding, or none any more")
    if not finding.printer:
        raise ApiProblem("bad-parameter", "finding", "is about no printer's meter, so no policy bears on it")
    return finding


def _cut(findings: tuple[Finding, ...], clock: Clock) -> Cut:
    return Cut(tuple(line_of(one, clock) for one in findings[:SHOWN]), max(0, len(findings) - SHOWN))


def _pages(came: WhatIf | None) -> int:
    """By how many pages more, or below 0 fewer, people would be charged."""
    changes = () if came is None else came.charges
    return sum(
        (0 if one.after is None else one.after.charged) - (0 if one.before is None else one.before.charged)
        for one in changes
    )
