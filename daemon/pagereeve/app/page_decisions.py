"""Decisions about pages, from what somebody asks for to events: all are tried before any is sent.

Commands write none on their own: they go through the intake of a running daemon, which knows who asks and what it may.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NotTaken, send_event
from pagereeve.app.own_events import envelope_of
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.events import AUTHOR, PAGES_DECIDED, data_of
from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.ledger import EvidenceKind, Finding
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.queries.page_decisions import Trial, decision_named

REQUESTS_MAX: Final = 1_000


@dataclass(frozen=True, slots=True)
class PagesRequest:
    """One line of what somebody asks for. ``said`` has no pages (0) where all that stand there are meant, no channel
    where each billed one is, and no source of its release where the journal knows one alone. ``finding`` names pages
    in the place of a release or gap. ``where`` says where it was asked for.
    """

    where: str
    said: PageDecision
    printer: str = ""
    finding: str = ""


@dataclass(frozen=True, slots=True)
class Tried:
    """What would be sent, and what the journal's rows say of it now."""

    envelope: dict[str, Any]
    ruling: Ruling


async def tried(held: Reads, requests: Sequence[PagesRequest], by: str) -> list[Tried]:
    """Each after those before it. Raises BadQuestion; ``held`` is of one moment."""
    if len(requests) > REQUESTS_MAX:
        raise BadQuestion("--list", f"holds {len(requests)} decisions; {REQUESTS_MAX} at once at most, split it")
    trial, clock, found = await Trial.of(held), SystemClock(), list[Tried]()
    for request in requests:
        named = [one for wanted in await _named(held, request) for one in await _channels(held, wanted)]
        asked = [await _counted(trial, one, by, clock.now_us()) for one in named]
        kept = [one for one in asked if one is not None]
        if not kept:
            raise BadQuestion(request.where, "names no page to decide on: nothing stands there, or all was decided")
        for decided in kept:
            _, data = data_of(decided)
            data.pop(AUTHOR)
            envelope = envelope_of(PAGES_DECIDED, DECISIONS_SOURCE, data, decided.origin.at_us)
            with_id = replace(decided, origin=replace(decided.origin, id=envelope["id"]))
            found.append(Tried(envelope, await trial.ruling(with_id)))
    return found


async def undo_of(held: Reads, name: str, said: PageDecision, by: str) -> Tried:
    """Raises BadQuestion where there is no such decision."""
    other = await decision_named(held, name)
    if other is None:
        raise BadQuestion("DECISION", f"{name[:60]!r} is no decision; pagereeve decide list shows them")
    at_us = SystemClock().now_us()
    envelope = envelope_of(PAGES_DECIDED, DECISIONS_SOURCE, {}, at_us)
    undo = PagesDecided(other.printer, _origin(envelope["id"], at_us), by, replace(said, pages=other.said.pages))
    _, data = data_of(replace(undo, printer=""))
    data.pop(AUTHOR)
    ruling = await (await Trial.of(held)).ruling(undo)
    return Tried({**envelope, "data": data}, ruling)


def send(socket: Path, made: Iterable[Tried]) -> int:
    """How many the daemon accepted. Raises NoDaemon, NotTaken, which says after how many."""
    sent = 0
    for one in made:
        try:
            send_event(socket, one.envelope)
        except NotTaken as error:
            raise NotTaken(f"{error}; {sent} were accepted before it") from error
        sent += 1
    return sent


def _origin(name: str, at_us: int) -> Origin:
    return Origin(DECISIONS_SOURCE, name, at_us, at_us)


async def _counted(trial: Trial, request: PagesRequest, by: str, at_us: int) -> PagesDecided | None:
    """With all pages that stand there, where no number was asked for; None where none do."""
    said = replace(request.said, pages=request.said.pages or PAGES_MAX)
    decided = PagesDecided(request.printer, _origin("", at_us), by, said)
    if not request.said.pages:
        left = await trial.left(decided)
        if not left:
            return None
        decided = replace(decided, said=replace(said, pages=left))
    return decided


async def _named(held: Reads, request: PagesRequest) -> list[PagesRequest]:
    """A finding's releases or gaps; a release with its source."""
    if not request.finding:
        return [await _with_source(held, request)]
    finding = await held.finding(request.finding)
    if finding is None:
        text = f"{request.finding[:40]!r} is no finding; pagereeve findings --all lists them"
        raise BadQuestion(request.where, text)
    of_gaps = request.said.act == "move" and request.said.taken_from == "stray"
    found = _gaps(finding, request) if of_gaps else _releases(finding, request)
    if not found:
        what = "gap" if of_gaps else "release"
        raise BadQuestion(request.where, f"{finding.id} ({finding.kind}) names no {what}; name it yourself")
    return found


def _gaps(finding: Finding, request: PagesRequest) -> list[PagesRequest]:
    found = []
    for one in finding.evidence:
        channel, closes_us = one.value("channel"), one.value("closes_us")
        if one.kind is EvidenceKind.CUTS and isinstance(channel, str) and isinstance(closes_us, int):
            said = replace(request.said, channel=channel, closes_us=closes_us)
            found.append(replace(request, printer=finding.printer, said=said))
    return found


def _releases(finding: Finding, request: PagesRequest) -> list[PagesRequest]:
    """Pages of a whole bracket are named by its first release."""
    whole = request.said.act == "move" and request.said.taken_from != "unproven"
    return [
        replace(request, said=replace(request.said, release_source=key.source, release_id=key.release))
        for key in finding.releases[: 1 if whole else None]
    ]


async def _with_source(held: Reads, request: PagesRequest) -> PagesRequest:
    said = request.said
    if not said.release_id or said.release_source:
        return request
    sources = sorted({one.release.source for one in await held.charges_of(said.release_id)})
    if not sources:
        raise BadQuestion(request.where, f"no release is named {said.release_id[:60]!r}")
    if len(sources) > 1:
        text = f"{len(sources)} sources have a release {said.release_id[:60]!r}: {', '.join(sources)}; name one"
        raise BadQuestion(request.where, text)
    return replace(request, said=replace(said, release_source=sources[0]))


async def _channels(held: Reads, request: PagesRequest) -> list[PagesRequest]:
    """Each billed channel of the release, where none is named."""
    said = request.said
    if said.channel:
        return [request]
    if not said.of_release:
        return [replace(request, said=replace(said, channel="total"))]
    known = await held.charges_of(said.release_id)
    channels = sorted({one.channel for one in known if one.release.source == said.release_source})
    billed = [channel for channel in channels if channel in CLAIMED_CHANNELS]
    if said.pages and len(billed) > 1:
        raise BadQuestion(
            "--channel", f"{said.release_id[:60]!r} has {', '.join(billed)}; say of which so many pages are"
        )
    return [replace(request, said=replace(said, channel=channel)) for channel in billed]
