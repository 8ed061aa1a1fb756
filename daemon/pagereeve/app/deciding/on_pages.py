"""Decisions about pages: all are tried before any is submitted, and answered as the next question shows them."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.app.deciding.keys import Done, Keys, digest_of, used_otherwise
from pagereeve.app.deciding.submitting import Submitting, envelope_from
from pagereeve.app.page_decisions import PagesRequest, Tried, tried, undo_of
from pagereeve.console.api.deciding.answers import PagesDecided
from pagereeve.console.api.deciding.bodies import Move, OfFinding, OfGap, OfRelease, Settle, Undo
from pagereeve.console.api.models.decisions import DecisionShown
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.facts import facts
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text
from pagereeve.ports.reads import Reads
from pagereeve.queries.page_decisions import decision_named, ruled

TRIED_S: Final = 20.0
DECISIONS_MAX: Final = 200
# An id and a place among those that one key leads to; the last one has the key alone, and is submitted last.
_PART: Final = ":"


class PageDecisions:
    def __init__(self, reads: Reads, submitting: Submitting) -> None:
        self._reads = reads
        self._submitting = submitting
        self._keys = Keys()
        self._turn = asyncio.Lock()

    async def decide(self, said: Settle | Move, caller: Caller, key: str) -> PagesDecided:
        request = _request(said)
        if said.dry_run:
            async with self._turn:
                made = await self._tried(request, caller)
            return _answer([one.ruling for one in made], caller, dry_run=True)
        digest = digest_of("pages", said)
        async with self._turn:
            names = await self._done(caller, key, digest, request)
            if names:
                return await self._told(names, caller, repeated=True)
            made = await self._tried(request, caller)
            parts = await self._parts(key)
            names = await self._submit(made, caller, key, parts)
            self._keys.keep(caller.name, key, Done(digest, names))
            return await self._told(names, caller)

    async def undo(self, decision: str, said: Undo, caller: Caller, key: str) -> PagesDecided:
        digest = digest_of(decision, said)
        async with self._turn:
            wanted = PageDecision("undo", 1, said.reason, undoes=decision, text=said.text)
            names = await self._done(caller, key, digest, PagesRequest("decision", wanted))
            if names:
                return await self._told(names, caller, repeated=True)
            async with self._reads.snapshot() as held:
                if await decision_named(held, decision) is None:
                    raise ApiProblem("not-found", "decision", f"{decision[:60]!r} is none; /v1/decisions lists them")
                made = [await undo_of(held, decision, wanted, caller.name)]
            _require_in_force(made)
            names = await self._submit(made, caller, key, ())
            self._keys.keep(caller.name, key, Done(digest, names))
            return await self._told(names, caller)

    async def _done(self, caller: Caller, key: str, digest: str, request: PagesRequest) -> tuple[str, ...]:
        """The ids that the key led to, all of them; () where it is new, or was not done whole."""
        done = self._keys.done(caller.name, key, digest)
        if done is not None or not key:
            return () if done is None else done.decisions
        known = await self._parts(key)
        whole = any(one.origin.id == key for one in known)
        if any(one.by != caller.name or not _is_of(one, request) for one in known):
            raise used_otherwise()
        return tuple(one.origin.id for one in known) if whole else ()

    async def _parts(self, key: str) -> list[facts.PagesDecided]:
        if not key:
            return []
        known = [one async for one in self._reads.page_decisions()]
        return [one for one in known if one.origin.id == key or one.origin.id.startswith(f"{key}{_PART}")]

    async def _tried(self, request: PagesRequest, caller: Caller) -> list[Tried]:
        try:
            async with asyncio.timeout(TRIED_S), self._reads.snapshot() as held:
                await _require_subject(held, request)
                made = await tried(held, [request], caller.name)
        except BadQuestion as error:
            raise ApiProblem("not-possible", error.where.removeprefix("--"), error.problem.replace("--", "")) from None
        except TimeoutError:
            problem = f"could not be tried within {TRIED_S:g} s; nothing was decided, send it again later"
            raise ApiProblem("too-slow", "decision", problem) from None
        if len(made) > DECISIONS_MAX:
            problem = f"leads to {len(made)} decisions; {DECISIONS_MAX} at once at most, name releases"
            raise ApiProblem("not-possible", "of", problem)
        _require_in_force(made)
        return made

    async def _submit(
        self, made: Sequence[Tried], caller: Caller, key: str, parts: Collection[facts.PagesDecided]
    ) -> tuple[str, ...]:
        """``parts`` were submitted before, and are not again. Raises ApiProblem, Refusal: nothing but these stands."""
        numbers = range(len(parts), len(parts) + len(made))
        names = [f"{key}{_PART}{number}" if key else "" for number in numbers]
        names[-1] = key
        envelopes = [envelope_from(one.envelope, name) for one, name in zip(made, names, strict=True)]
        for one in envelopes:
            self._submitting.require_allowed(one, caller)
        for one in envelopes:
            await self._submitting.submit(one, caller)
        return (*(one.origin.id for one in parts), *(one.id for one in envelopes))

    async def _told(self, names: Collection[str], caller: Caller, *, repeated: bool = False) -> PagesDecided:
        async with self._reads.snapshot() as held:
            known = [one for one in await ruled(held) if one.decided.origin.id in names]
        return _answer(known, caller, repeated=repeated)


def _request(said: Settle | Move) -> PagesRequest:
    wanted = PageDecision(said.act, said.pages or 0, said.reason, said.channel or "", text=said.text)
    if isinstance(said, Move):
        wanted = replace(wanted, taken_from=said.from_, to=said.to, to_name=said.to_name)
    match said.of:
        case OfRelease(release=name, source=source):
            return PagesRequest("of", replace(wanted, release_id=name, release_source=source or ""))
        case OfFinding(finding=finding):
            return PagesRequest("of", wanted, finding=finding)
        case OfGap(printer=printer, closes=closes):
            return PagesRequest("of", replace(wanted, closes_us=from_text(closes)), printer)


def _is_of(known: facts.PagesDecided, request: PagesRequest) -> bool:
    """Does it say what is asked for, as far as that is said?"""
    said, asked = known.said, request.said
    free = ((said.pages, asked.pages if asked.act != "undo" else 0), (said.channel, asked.channel))
    named = ((said.release_source, asked.release_source), (said.release_id, asked.release_id))
    same = ("act", "reason", "taken_from", "to", "to_name", "undoes", "text")
    return all(getattr(said, name) == getattr(asked, name) for name in same) and all(
        not wanted or wanted == there for there, wanted in (*free, *named, (said.closes_us, asked.closes_us))
    )


async def _require_subject(held: Reads, request: PagesRequest) -> None:
    if request.finding and await held.finding(request.finding) is None:
        raise ApiProblem("not-found", "of.finding", f"{request.finding[:40]!r} is no finding; /v1/findings lists them")
    name = request.said.release_id
    if name and not await held.charges_of(name):
        raise ApiProblem("not-found", "of.release", f"no release is named {name[:60]!r}; /v1/releases lists them")


def _require_in_force(made: Sequence[Tried]) -> None:
    refused = [one.ruling for one in made if one.ruling.refused is not None]
    if refused:
        more = f" ({len(refused)} of {len(made)})" if len(made) > 1 else ""
        raise ApiProblem("not-possible", "decision", f"would not be in force: {refused[0].problem}{more}")


def _answer(known: Sequence[Ruling], caller: Caller, *, dry_run: bool = False, repeated: bool = False) -> PagesDecided:
    shown = [DecisionShown.of(one, with_names=caller.may("names")) for one in known]
    return PagesDecided(decisions=shown, dry_run=dry_run, repeated=repeated, shown=not dry_run)
