"""The centre's side put together: what joins, and who projects what was joined."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from pagereeve.app.sites.door import ForwardDoor
from pagereeve.app.sites.joining import OnJoined, Origins, SiteFacts
from pagereeve.domain.facts.facts import Fact
from pagereeve.engine.forwarding.site_watch import SiteChecks, SiteWatch
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.ports.clock import Clock

TASK: Final = "sites"


class SitesStore(Origins, SiteChecks, Protocol): ...


async def open_sites(
    store: SitesStore,
    clock: Clock,
    registry: PrinterRegistry,
    zone: str,
    accept: Callable[[Fact], None] = lambda _: None,
) -> SiteFacts:
    """A printer of a site has a passing watcher while facts of it come, as one that nobody registered; no meter of it
    is read here, and nothing is learnt of it. From then on the journal tells how far sites are; ``accept`` hears it.
    """
    facts = SiteFacts(store, clock, _projecting(registry))
    await facts.open()
    watch = SiteWatch(facts.seen, store, clock, ZoneInfo(zone), accept)
    registry.supervisor.start(TASK, "sites that forward", watch.run, heartbeat=watch.heartbeat, forever=True)
    return facts


def _projecting(registry: PrinterRegistry) -> OnJoined:
    def project(printer: str, since_us: int | None) -> None:
        watcher = registry.watcher(printer)
        if watcher is not None and since_us is not None:
            watcher.begin_again(since_us)

    return project


def forward_door(facts: SiteFacts, events: EventsEndpoint, settings: HttpSettings) -> ForwardDoor:
    return ForwardDoor(facts, events, settings.body_timeout.seconds)
