"""A person's decision on a finding, on its way into the journal: by the daemon's endpoint, or directly if none runs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NotTaken, send_event
from pagereeve.app.journals import JournalPlace, open_alone
from pagereeve.app.own_events import envelope_of
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.events import AUTHOR, FINDING_DECIDED, event_of
from pagereeve.domain.facts.facts import Action, Decided, Origin
from pagereeve.domain.findings.finding import reopening_problem
from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.printers.loading import open_projector
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.clock import Clock
from pagereeve.ports.store import Store

SOURCE: Final = "urn:pagereeve:decisions"


@dataclass(frozen=True, slots=True)
class DecisionRequest:
    """``reason`` is one of domain.facts.Reason, or empty where a finding is closed without one.

    Who decides is not said here: the daemon sees whose process asks, and without a daemon it is this process's user.
    """

    finding: str
    action: Action
    reason: str = ""
    text: str = ""
    at: str = ""

    def envelope(self, at_us: int) -> dict[str, Any]:
        """A CloudEvent of its own identity (CloudEvents 1.0 section 3.1)."""
        data: dict[str, str] = {"finding": self.finding, "action": self.action}
        said = (("reason", self.reason), ("text", self.text), ("at", self.at))
        data |= {name: value for name, value in said if value}
        return envelope_of(FINDING_DECIDED, SOURCE, data, at_us)


def tell_daemon(socket: Path, said: DecisionRequest) -> None:
    """Returns once it is durable; its author is this user. Raises NoDaemon, NotTaken."""
    send_event(socket, said.envelope(SystemClock().now_us()))


async def decide_by_hand(place: JournalPlace, said: DecisionRequest) -> None:
    """Into a journal that no daemon may have open; the rows that it changes are rebuilt.

    Raises NotTaken, domain.errors.BadFact, store.errors.CantOpen.
    """
    if said.action == "book":
        raise NotTaken("releases are booked by a running daemon: start it, or name its local socket (--socket)")
    clock = SystemClock()
    async with open_alone(place, clock) as journal:
        finding = await journal.finding(said.finding)
        if finding is None:
            raise NotTaken(f"{said.finding[:40]!r} is no finding; pagereeve findings --all lists them")
        if said.action == "reopen" and (problem := reopening_problem(finding)):
            raise NotTaken(f"{finding.id}: reopen {problem}")
        envelope = said.envelope(clock.now_us())
        at_us = from_text(envelope["time"])
        origin = Origin(SOURCE, envelope["id"], at_us, at_us, at_us)
        require_plain_members(envelope["data"], "data")
        event = event_of(FINDING_DECIDED, origin, {**envelope["data"], AUTHOR: this_user().name})
        if isinstance(event, Decided):
            await journal.append(replace(event, printer=finding.printer))
        await renew_rows(journal, clock, finding.printer, finding.since_us)


async def renew_rows(store: Store, clock: Clock, printer: str, since_us: int) -> None:
    """Of a timeline that nobody owns: from an instant on they are projected again."""
    if printer == SITE:
        await BadgeWatcher(store, clock).renew(since_us)
        return
    projector = await open_projector(store, printer, since_us)
    run = await store.open_run(printer)
    projector.open_run(None if run is None else run.fact)
    update = projector.advance()
    if update is not None:
        await store.replace(printer, update.from_anchor_us, update.segments)
