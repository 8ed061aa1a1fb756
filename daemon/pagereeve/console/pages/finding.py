"""``/findings/{finding}``: what it says, what shows it, what it costs, what to do first, and what was decided."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.came import TEXTS, Came
from pagereeve.console.pages.decided import OFFERED, Said, ruling_said, settling_of_finding
from pagereeve.console.pages.finding_lines import advice_on, line_of
from pagereeve.console.pages.findings import HERE
from pagereeve.console.pages.forms import form_for
from pagereeve.console.pages.shell import Clock, figure
from pagereeve.console.pages.units import unit_of, unit_said
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.findings.finding import reopening_problem
from pagereeve.domain.findings.wording import words_of
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding, ReleaseKey
from pagereeve.domain.projection.what_if import changes_for
from pagereeve.ports.reads import Reads
from pagereeve.queries.finding_standing import FindingStanding, finding_standing
from pagereeve.queries.what_if import policy_now
from pagereeve.reports.findings import surplus_lines
from pagereeve.reports.sentences import reason_text

# Kept beside the others, but told in words of their own: what people decided.
_TOLD_APART: Final = frozenset({EvidenceKind.DECIDED})

FindingName = Annotated[str, Path(max_length=200)]

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class AfterForm(Asked):
    """``came``: what came of the form that was sent from this page."""

    came: Came | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A piece of evidence in words; ``release`` where it names one that has a page."""

    text: str
    release: ReleaseKey | None


@dataclass(frozen=True, slots=True)
class Trial:
    """A setting that can be tried; ``words`` are its lines in a policy."""

    name: str
    words: tuple[str, ...]


@router.get(f"{HERE}/{{name}}")
async def one_finding(
    context: Context, asker: Asking, begun: Beginning, name: FindingName, asked: Annotated[AfterForm, Query()]
) -> HTMLResponse:
    now_us, clock = context.now_us(), Clock(context.site.zone)
    async with context.look() as held:
        first = await found(held, name)
    begun.shows("finding.html", asker, clock.zone, HERE, now_us=now_us, finding=first, line=line_of(first, clock))
    async with context.question() as held:
        standing = await standing_of(held, name)
        trials = await _trials(held, standing.finding, now_us)
    finding = standing.finding
    begun.shows("finding.html", asker, clock.zone, HERE, now_us=now_us, finding=finding, line=line_of(finding, clock))
    names = asker.sees_names
    units = [one.charge.unit for one in standing.releases if one.charge is not None]
    kept = [one for one in finding.evidence if names or not one.personal]
    booked = standing.booked
    return begun.page(
        advice=advice_on(finding.kind),
        standing=standing,
        unit_says=unit_said(units),
        unit=unit_of(units[0]) if len(set(units)) == 1 else "",
        evidence=[_shown(one, clock) for one in kept if not _is_told_apart(one)],
        hidden=sum(one.personal and one.kind not in _TOLD_APART for one in finding.evidence) if not names else 0,
        differs=surplus_lines(finding, None if booked is None else _uncharged(standing), figure),
        trials=trials,
        decisions=[*_decisions(finding, names=names), *(ruling_said(one, names=names) for one in standing.rulings)],
        form=form_for(asker),
        not_taken_back=reopening_problem(finding),
        pages_form=form_for(asker, "pages"),
        settling=settling_of_finding(finding),
        offered=OFFERED,
        came=asked.came,
        came_texts=TEXTS,
    )


async def standing_of(held: Reads, name: str) -> FindingStanding:
    """Raises ApiProblem where there is no such finding."""
    standing = await finding_standing(held, name)
    if standing is None:
        raise _nowhere(name)
    return standing


async def found(held: Reads, name: str) -> Finding:
    """Raises ApiProblem where there is no such finding."""
    finding = await held.finding(name)
    if finding is None:
        raise _nowhere(name)
    return finding


def _nowhere(name: str) -> ApiProblem:
    problem = f"{name[:40]!r} is no finding, or none any more: a late notice may have explained it away"
    return ApiProblem("not-found", "finding", problem)


async def _trials(held: Reads, finding: Finding, now_us: int) -> list[Trial]:
    """Settings that the finding names, each to be tried on the printer's facts first."""
    if not finding.printer:
        return []
    policy = await policy_now(held, finding.printer, now_us)
    return [Trial(one.name, one.words(policy)) for one in changes_for(finding, policy)]


def _uncharged(standing: FindingStanding) -> int:
    received = () if standing.booked is None else standing.booked.received
    return sum(pages for kind, pages in received if kind in {"surplus", "unattributed"})


def _is_told_apart(evidence: Evidence) -> bool:
    """A hint stands in the finding's own sentence, releases in their table, decisions in a list of theirs."""
    if evidence.kind is EvidenceKind.REASON:
        return str(evidence.value("reason")).startswith(HINT_PREFIX)
    return evidence.kind in {*_TOLD_APART, EvidenceKind.RELEASE}


def _shown(evidence: Evidence, clock: Clock) -> Shown:
    if evidence.kind is EvidenceKind.REASON:
        return Shown(reason_text(str(evidence.value("reason"))), None)
    return Shown(words_of(evidence, clock.exact, figure), evidence.release)


def _decisions(finding: Finding, *, names: bool) -> Iterator[Said]:
    for one in finding.evidence:
        if one.kind is EvidenceKind.DECIDED:
            known = dict(one.values)
            at_us, at = known.get("at_us"), known.get("printer")
            reason = f", because: {known['reason']}" if "reason" in known else ""
            where = f" at {at}" if at else ""
            yield Said(
                at_us if isinstance(at_us, int) else 0,
                f"{known.get('action', '?')}{where}{reason}",
                str(known.get("by", "")) if names else None,
                str(known.get("text", "")) if names else None,
            )
