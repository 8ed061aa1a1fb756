"""``/printers/{name}``: what happened at a printer, on one time axis, and how well its meter is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.site import AskedPrinter
from pagereeve.console.api.steps import STEP
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.printers import HERE
from pagereeve.console.pages.shell import figure
from pagereeve.console.pages.units import unit_of
from pagereeve.console.pictures.life import DAY_US, picture_of
from pagereeve.domain.accounts.periods import ALWAYS_US, local
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.facts.reading import PrinterState, Unit, UnitGrade
from pagereeve.domain.findings.wording import SILENCES, text_of
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.address_step import one_step
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.queries.printer_life import FACTS_MAX, Life, first_us, life_of
from pagereeve.queries.printer_standing import PrinterStanding, standing_of
from pagereeve.reports.sentences import span_text
from pagereeve.reports.timeline import BREAKS
from pagereeve.reports.units import unit_text

SPANS: Final = (
    ("a year", 365 * DAY_US),
    ("three months", 91 * DAY_US),
    ("a month", 30 * DAY_US),
    ("a week", 7 * DAY_US),
    ("a day", DAY_US),
    ("6 hours", DAY_US // 4),
    ("an hour", DAY_US // 24),
    ("10 minutes", 600 * SECOND_US),
    ("a minute", 60 * SECOND_US),
)
SPAN_US: Final = DAY_US
SPAN_LEAST_US: Final = SECOND_US
SPAN_MOST_US: Final = 3_660 * DAY_US
HAPPENINGS_MAX: Final = 100

Unknown = Literal[
    "never-read",
    "silent",
    "never-proven",
    "unit-assumed",
    "unit-unknown",
    "no-serial",
    "no-state",
    "state-doubted",
    "windows-open",
    "not-registered",
]

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class LifeAsked(Asked):
    """Local dates or RFC 3339 times; of one that is left out the other is a day away, or it is now. Neither: the last
    day, or less of a printer that is known for less.
    """

    from_: str | None = Field(default=None, alias="from", max_length=40)
    to: str | None = Field(default=None, max_length=40)


@dataclass(frozen=True, slots=True)
class SpanLink:
    """``href`` None: that is where the reader is, or there is nothing farther."""

    text: str
    href: str | None


@dataclass(frozen=True, slots=True)
class Happened:
    """A row of the list below the picture. ``href`` leads to what is known of it."""

    at_us: int
    what: str
    href: str | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class OpenFinding:
    id: str
    text: str
    first: str
    severity: str


@router.get(f"{HERE}/{{name:{STEP}}}")
async def printer(
    context: Context,
    asker: Asking,
    begun: Beginning,
    name: Annotated[str, Path(max_length=200)],
    asked: Annotated[LifeAsked, Query()],
) -> HTMLResponse:
    now_us = context.now_us()
    known = next((one for one in context.site.printers if one.name == name), None)
    async with context.look() as held:
        first = await first_us(held, name)
        from_us, to_us = _span(context, asked, now_us, first)
    if known is not None or first is not None:
        begun.shows("printer.html", asker, context.site.zone, HERE, now_us=now_us, name=name)
    async with context.question() as held:
        standing = await standing_of(held, name)
        life = await life_of(held, name, from_us, to_us)
    if known is None and not standing.known and not life.findings:
        problem = f"{name[:40]!r} is known neither to the settings nor to the journal; the page of printers lists them"
        raise ApiProblem("not-found", "printer", problem)
    begun.shows("printer.html", asker, context.site.zone, HERE, now_us=now_us, name=name)
    return begun.page(
        known=known,
        life=life,
        picture=picture_of(life, context.site.zone),
        lasts=next((text for text, span_us in SPANS if span_us == to_us - from_us), span_text(to_us - from_us)),
        facts_max=FACTS_MAX,
        unit=unit_of(next((one.unit for name, one in standing.counts if name == life.channel), None)),
        links=links_of(name, from_us, to_us, now_us),
        happened=happened_in(life)[:HAPPENINGS_MAX],
        happened_all=len(happened_in(life)),
        rises=[(one, _address(name, one.from_us, one.to_us)) for one in life.rises],
        **_of_meter(context, standing, known),
    )


def _span(context: ApiContext, asked: LifeAsked, now_us: int, first_us: int | None) -> tuple[int, int]:
    if asked.from_ is None and asked.to is None and first_us is not None:
        return now_us - latest_span_us(now_us - first_us), now_us
    period = context.site.chosen(None, asked.from_, asked.to)
    to_us = period.to_us if asked.to is not None else now_us if asked.from_ is None else period.from_us + SPAN_US
    from_us = period.from_us if asked.from_ is not None else to_us - SPAN_US
    if not SPAN_LEAST_US <= to_us - from_us <= SPAN_MOST_US or not 0 <= from_us < to_us < ALWAYS_US:
        raise ApiProblem("bad-parameter", "from", "must lie a second to ten years before to, and not before 1970")
    return from_us, to_us


def latest_span_us(known_for_us: int) -> int:
    """A day; of a printer that is known for less, the shortest of the SPANS that holds all that is known."""
    return min((one for _, one in SPANS if known_for_us <= one <= SPAN_US), default=SPAN_US)


def _address(name: str, from_us: int, to_us: int) -> str:
    asked = urlencode({"from": to_text(from_us), "to": to_text(to_us)})
    return f"{HERE}/{one_step(name)}?{asked}"


def links_of(name: str, from_us: int, to_us: int, now_us: int) -> dict[str, list[SpanLink]]:
    """To move along the axis, and to spans from a year to a minute around its middle."""
    lasts_us, middle_us = to_us - from_us, (from_us + to_us) // 2

    def around(span_us: int) -> str:
        # A span that ends now stays at its end: most people look for the latest.
        ends_us = now_us if to_us >= now_us - lasts_us // 100 else middle_us + span_us // 2
        begins_us = max(0, ends_us - span_us)
        return _address(name, begins_us, begins_us + span_us)

    longer = min((one for _, one in SPANS if one > lasts_us), default=None)
    shorter = max((one for _, one in SPANS if one < lasts_us), default=None)
    moves = [
        SpanLink("earlier", _address(name, from_us - lasts_us, from_us) if from_us >= lasts_us else None),
        SpanLink("later", _address(name, to_us, to_us + lasts_us) if to_us < now_us else None),
        SpanLink("zoom in", None if shorter is None else _address(name, *_middle(from_us, to_us, shorter))),
        SpanLink("zoom out", None if longer is None else around(longer)),
    ]
    spans = [SpanLink(text, None if span_us == lasts_us else around(span_us)) for text, span_us in SPANS]
    return {"moves": moves, "spans": spans}


def _middle(from_us: int, to_us: int, span_us: int) -> tuple[int, int]:
    begins_us = (from_us + to_us - span_us) // 2
    return begins_us, begins_us + span_us


def happened_in(life: Life) -> list[Happened]:
    """The newest first, badges aside: a badge is seen at a gateway, and whose it was is no matter of the printer."""
    found = [
        Happened(
            one.started_us,
            "release" if one.ended_us is not None else "release, without an end notice in this time",
            f"/releases/{one_step(one.key.release)}?{urlencode({'source': one.key.source})}",
            one.key.release,
        )
        for one in life.releases
    ]
    found += [Happened(one.since_us, "finding", f"/findings/{one_step(one.id)}", one.kind) for one in life.findings]
    found += [Happened(one.at_us, _restart(one.step)) for one in life.restarts]
    found += [
        Happened(
            one.first_sent_us,
            f"reads failed for {span_text(one.last_received_us - one.first_sent_us)}: {SILENCES[one.reason]}",
        )
        for one in life.silences
    ]
    found += [Happened(one.origin.at_us, f"noted: {one.note}") for one in life.notes]
    return sorted(found, key=lambda one: -one.at_us)


def _restart(step: Step | None) -> str:
    if step is None:
        return "the printer or its agent restarted; the count went on"
    return f"a new meter run began: {BREAKS[step]}"


def _of_meter(context: ApiContext, standing: PrinterStanding, known: AskedPrinter | None) -> dict[str, Any]:
    def at(at_us: int) -> str:
        return local(at_us, context.site.zone).strftime("%Y-%m-%d %H:%M:%S")

    def shown(finding: Finding) -> OpenFinding:
        return OpenFinding(finding.id, text_of(finding, at, figure), ADVICE[finding.kind].first, finding.severity)

    silence, plateau = standing.details.state.silence, standing.details.state.plateau
    billed = {count.object for _, count in standing.counts}
    return {
        "standing": standing,
        "counts": [(name, count, unit_text(count.unit, count.grade)) for name, count in standing.counts],
        "witnesses": [] if plateau is None else [one for one in plateau.sight.counters if one.object not in billed],
        "why_silent": "" if silence is None else SILENCES[silence.reason],
        "settle": span_text(standing.details.settle_us),
        "diagnoses": [shown(one) for one in standing.diagnoses],
        "open_findings": [shown(one) for one in standing.findings],
        "unknown": list(_unknown(standing, known)),
    }


def _unknown(standing: PrinterStanding, known: AskedPrinter | None) -> Iterator[Unknown]:
    state, plateau = standing.details.state, standing.details.state.plateau
    if known is None:
        yield "not-registered"
    if state.standing != "answers":
        yield state.standing
    if standing.details.proven_us is None:
        yield "never-proven"
    if any(count.unit is Unit.UNKNOWN for _, count in standing.counts):
        yield "unit-unknown"
    elif any(count.grade is UnitGrade.ASSUMED for _, count in standing.counts):
        yield "unit-assumed"
    if plateau is not None and not plateau.sight.serial:
        yield "no-serial"
    if plateau is not None and plateau.sight.state is PrinterState.ABSENT:
        yield "no-state"
    elif not standing.state_believed:
        yield "state-doubted"
    if standing.details.open:
        yield "windows-open"
