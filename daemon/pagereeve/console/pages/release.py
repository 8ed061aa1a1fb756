"""``/releases/{release}``: what came of a release, and the evidence for it in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Self
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query
from pydantic import Field
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.steps import STEP
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.console.pages.came import TEXTS, Came
from pagereeve.console.pages.decided import OFFERED, Said, Settling, ruling_said, settling_of
from pagereeve.console.pages.forms import form_for
from pagereeve.console.pages.shell import Clock, figure
from pagereeve.console.pages.units import unit_of
from pagereeve.console.pictures.bracket import bracket_of
from pagereeve.console.pictures.life import LifePicture
from pagereeve.domain.accounts.periods import local
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.events import NAME_MAX
from pagereeve.domain.findings.wording import text_of
from pagereeve.domain.ledger import Charge, Finding, ReleaseKey
from pagereeve.domain.values.address_step import one_step
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.queries.decidable import decidable_of
from pagereeve.queries.explain import Explained, explained
from pagereeve.queries.near_releases import NoSuchRelease
from pagereeve.queries.own_view import for_anybody, for_its_owner
from pagereeve.queries.release_evidence import Evidence, is_about
from pagereeve.reports.explain import channel_heading, channel_lines, channels_in_order
from pagereeve.reports.late_notices import known_text
from pagereeve.reports.page_decisions import after_decisions
from pagereeve.reports.release_answer import CAUTION, counted_text, unknown_texts, why_text
from pagereeve.reports.sentences import GRADES, interval_text, ticket_text
from pagereeve.reports.timeline import Happening, folded, timeline

HERE: Final = "/releases"
SHOWN_MAX: Final = 5
"""Of releases of one name so many are shown, the latest first."""
SOURCE_MAX: Final = 1_024

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class ReleaseAsked(Asked):
    """``source``: only of this source, if several sources use the name. ``came``: what came of a form of this page."""

    source: str | None = Field(default=None, max_length=SOURCE_MAX)
    came: Came | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What is known of a billed channel. ``charged`` and ``unsupported`` are after all decisions."""

    charge: Charge
    unit: str
    expected: str
    counted: str
    charged: int
    unsupported: int
    why: str
    grade: str
    unknown: Sequence[str]

    @classmethod
    def of(cls, evidence: Evidence, charge: Charge) -> Self:
        charged, unsupported = after_decisions(charge, evidence.decided)
        unit = unit_of(charge.unit)
        return cls(
            charge,
            unit,
            interval_text(charge.expected, figure) + ("" if charge.expected is None else f" {unit}"),
            counted_text(evidence, charge, f" {unit}", figure),
            charged,
            unsupported,
            why_text(evidence, charge),
            "" if charge.grade is None else GRADES[charge.grade],
            list(unknown_texts(evidence, charge, figure)),
        )


@dataclass(frozen=True, slots=True)
class Named:
    """A finding that names the release; ``alone``: it is about no other."""

    finding: Finding
    text: str
    first: str
    alone: bool


@dataclass(frozen=True, slots=True)
class ChannelTold:
    heading: str
    lines: Sequence[str]


@dataclass(frozen=True, slots=True)
class Shown:
    """One release as the page shows it. ``link`` can be handed on: it says no person's name."""

    evidence: Evidence
    link: str
    answers: Sequence[Answer]
    picture: LifePicture
    channel: str
    unit: str
    tickets: Sequence[str]
    happened: Sequence[Happening]
    late: Sequence[tuple[int, str]]
    decided: Sequence[Said]
    settling: Sequence[Settling]
    channels: Sequence[ChannelTold]
    findings: Sequence[Named]
    names_left_out: bool

    @classmethod
    def of(
        cls, known: Explained, zone: ZoneInfo, decided: Sequence[Said] = (), settling: Sequence[Settling] = ()
    ) -> Self:
        """``known`` is as who asks may see it."""
        evidence, writing = known.evidence, Clock(zone).writing
        ordered = channels_in_order(evidence)
        billed = [one for one in ordered if one.channel in CLAIMED_CHANNELS] or ordered[:1]
        return cls(
            evidence=evidence,
            link=link_of(evidence.key),
            answers=[Answer.of(evidence, one) for one in billed],
            picture=bracket_of(evidence, billed[0], zone),
            channel=billed[0].channel,
            unit=unit_of(billed[0].unit),
            tickets=[ticket_text(one.ticket, figure) for one in evidence.starts],
            happened=folded(timeline(evidence, figure), figure),
            late=[(one.at_us, known_text(one, figure)) for one in known.known.late],
            decided=decided,
            settling=settling,
            channels=[
                ChannelTold(channel_heading(one), [line.strip() for line in channel_lines(evidence, one, writing)])
                for one in ordered
            ],
            findings=[_named(one, evidence.key, zone) for one in evidence.findings],
            names_left_out=known.names_left_out,
        )


@router.get(f"{HERE}/{{release:{STEP}}}")
async def release(
    context: Context,
    asker: Asking,
    begun: Beginning,
    release: Annotated[str, Path(max_length=NAME_MAX)],
    asked: Annotated[ReleaseAsked, Query()],
) -> HTMLResponse:
    form, now_us = form_for(asker, "pages"), context.now_us()
    async with context.look() as held:
        places = {(one.release.source, one.printer, one.started_us) for one in await held.charges_of(release)}
    if 0 < sum(asked.source in {None, source} for source, *_ in places) <= SHOWN_MAX:
        begun.shows("release.html", asker, context.site.zone, HERE, now_us=now_us, release=release)
    async with context.question() as held:
        try:
            known = await explained(held, release, asked.source)
        except NoSuchRelease as error:
            near = [f"{one.release.release!r} of {one.release.source!r}" for one in error.near]
            meant = f"; near it: {', '.join(near)}" if near else ""
            raise ApiProblem("not-found", "release", f"{error.problem}{meant}") from error
        except BadQuestion as error:
            # Of another source alone, or of too many: its words say which.
            raise ApiProblem("not-found", "release", error.problem.replace("--", "")) from error
        latest = sorted(known, key=lambda one: -one.evidence.started_us)
        settling = [await _settling(held, one, now_us) if form else [] for one in latest[:SHOWN_MAX]]
    shown = [
        Shown.of(_seen(one, asker), context.site.zone, _decided(one, asker), left)
        for one, left in zip(latest, settling, strict=False)
    ]
    begun.shows("release.html", asker, context.site.zone, HERE, now_us=now_us, release=release)
    return begun.page(
        shown=shown,
        left_out=len(latest) - len(shown),
        caution=CAUTION,
        form=form,
        offered=OFFERED,
        came=asked.came,
        came_texts=TEXTS,
    )


def link_of(key: ReleaseKey) -> str:
    return f"{HERE}/{one_step(key.release)}?{urlencode({'source': key.source})}"


async def _settling(held: Reads, known: Explained, now_us: int) -> list[Settling]:
    billed = [one for one in known.evidence.charges if one.channel in CLAIMED_CHANNELS]
    return settling_of(await decidable_of(held, billed, now_us))


def _decided(known: Explained, asker: Asker) -> list[Said]:
    return [ruling_said(one, names=asker.sees_names) for one in known.evidence.decided]


def _seen(known: Explained, asker: Asker) -> Explained:
    """Its owner may be named to who sees names, other people never; to others nobody is."""
    return for_its_owner(known) if asker.sees_names else for_anybody(known)


def _named(finding: Finding, key: ReleaseKey, zone: ZoneInfo) -> Named:
    def at(at_us: int) -> str:
        return local(at_us, zone).strftime("%Y-%m-%d %H:%M:%S")

    first = ADVICE[finding.kind].first if finding.state == "open" else ""
    return Named(finding, text_of(finding, at, figure), first, is_about(finding, key))
