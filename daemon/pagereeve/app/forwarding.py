"""The part that forwards sealed facts to a centre, put together from settings and run beside the watchers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import structlog

from pagereeve.app.sites.collecting import Collector
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.engine.forwarding.publisher import PublishingSender
from pagereeve.engine.forwarding.sender import ForwardingSender
from pagereeve.engine.hints.keeper import DutyWork
from pagereeve.engine.supervision.overload import OverloadWatch
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.broker import CentreBroker, SiteBroker
from pagereeve.ports.broker_settings import BrokerSettings, CollectSettings, PublishSettings
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.forwarding import SealedFacts
from pagereeve.ports.origins import OriginReads
from pagereeve.ports.secrets import NoSecret
from pagereeve.ports.telemetry import ForwardingTelemetry
from pagereeve.receivers.centre.centre import make_centre
from pagereeve.settings import BadSettings, Problem, Settings

TASK: Final = "forwarding"
NAMED_MAX: Final = 5
log = structlog.get_logger("pagereeve.forwarding")
NO_CLIENT: Final = "nats-py is not installed, which it needs: install pagereeve[nats]"
Sender = ForwardingSender | PublishingSender
Table = TypeVar("Table", bound=ForwardSettings | BrokerSettings)
Made = TypeVar("Made")


class ForwardingStore(SealedFacts, OriginReads, Protocol): ...


@dataclass(slots=True)
class Forwarding:
    """Each of [[forward]] and [[publish]] has a sender of its own, and each site of [[collect]] a collector; one whose
    peer is away holds up none of the others.
    """

    senders: Sequence[Sender]
    brokers: Sequence[CentreBroker]
    origins: OriginReads
    clock: Clock
    entropy: Entropy
    load: OverloadWatch
    at_work: bool = False

    @classmethod
    def of(
        cls, settings: Settings, store: ForwardingStore, clock: Clock, entropy: Entropy, load: OverloadWatch
    ) -> Forwarding:
        """Raises BadSettings with all secrets and certificates that can't be read."""
        problems: list[Problem] = []
        around = (store, clock, entropy, lambda: load.overloaded, _tell)
        senders: list[Sender] = [
            ForwardingSender(centre, one.site, *around)
            for one, centre in _made("forward", settings.forward, make_centre, problems)
        ]
        senders += (
            PublishingSender(broker, one.site, *around)
            for one, broker in _made("publish", settings.publish, _site_broker, problems)
        )
        collected = _made("collect", settings.collect, _centre_brokers, problems)
        if problems:
            raise BadSettings("what is forwarded", problems)
        return cls(senders, [broker for _, brokers in collected for broker in brokers], store, clock, entropy, load)

    def duty(self, supervisor: Supervisor, facts: SiteFacts) -> DutyWork:
        """Of several workers one forwards; two would only send the same twice. ``facts`` gets what is collected."""
        pressed = (lambda: self.load.overloaded, _tell_site)
        collectors = [Collector(one, facts, self.clock, self.entropy, *pressed) for one in self.brokers]
        workers: dict[str, Sender | Collector] = {f"forwarding to {one.name}": one for one in self.senders}
        workers |= {f"collecting from {one.site} by {one.broker.name}": one for one in collectors}

        async def begin() -> None:
            self.at_work = True
            await self._tell_what_stays()
            for name, one in workers.items():
                supervisor.start(TASK, name, one.run, heartbeat=one.heartbeat, forever=True)

        async def end() -> None:
            self.at_work = False
            for name in workers:
                await supervisor.end(name)

        return DutyWork(begin, end)

    async def _tell_what_stays(self) -> None:
        """Facts of sites are theirs to forward: links alone go on, so that a number stays empty at the next centre."""
        sites = [one.site for one in await self.origins.origins()] if self.senders else []
        if sites:
            log.warning("facts of sites are not forwarded on", sites=sites[:NAMED_MAX], count=len(sites))

    async def close(self) -> None:
        """After their tasks have ended."""
        for one in self.senders:
            await one.centre.close()
        for broker in self.brokers:
            await broker.close()

    def telemetry(self) -> Mapping[str, ForwardingTelemetry]:
        """Nothing where another worker forwards."""
        return {one.name: one.telemetry() for one in self.senders if self.at_work}


def _made(
    table: str, entries: Sequence[Table], make: Callable[[Table], Made], problems: list[Problem]
) -> list[tuple[Table, Made]]:
    """Each with what is made of it; those of which nothing can be made are among the problems."""
    made = []
    for one in entries:
        try:
            made.append((one, make(one)))
        except NoSecret as error:
            problems.append(Problem(f"{table} {one.name}", str(error)))
    return made


def _site_broker(settings: PublishSettings) -> SiteBroker:
    """Raises NoSecret."""
    try:
        from pagereeve.receivers.broker.site import make_site  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise NoSecret(NO_CLIENT) from error
    return make_site(settings)


def _centre_brokers(settings: CollectSettings) -> Sequence[CentreBroker]:
    """Raises NoSecret."""
    try:
        from pagereeve.receivers.broker.centre import make_centres  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise NoSecret(NO_CLIENT) from error
    return make_centres(settings)


def _tell(centre: str, what: str, why: str) -> None:
    log.warning("forwarding", centre=centre, what=what, why=why)


def _tell_site(site: str, why: str) -> None:
    log.warning("collecting", site=site, what="takes facts again" if not why else "takes no facts", why=why)
