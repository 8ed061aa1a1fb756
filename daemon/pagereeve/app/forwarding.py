"""The part that forwards sealed facts to a centre, put together from settings and run beside the watchers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import structlog

from pagereeve.engine.forwarding.sender import ForwardingSender
from pagereeve.engine.hints.keeper import DutyWork
from pagereeve.engine.supervision.overload import OverloadWatch
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.forwarding import SealedFacts
from pagereeve.ports.secrets import NoSecret
from pagereeve.ports.telemetry import ForwardingTelemetry
from pagereeve.receivers.centre.centre import make_centre
from pagereeve.settings import BadSettings, Problem, Settings

TASK: Final = "forwarding"
log = structlog.get_logger("pagereeve.forwarding")


@dataclass(slots=True)
class Forwarding:
    """Each of [[forward]] has a sender of its own; one that is away holds up none of the others."""

    senders: Sequence[ForwardingSender] = ()
    at_work: bool = False

    @classmethod
    def of(
        cls, settings: Settings, store: SealedFacts, clock: Clock, entropy: Entropy, load: OverloadWatch
    ) -> Forwarding:
        """Raises BadSettings with all secrets and certificates that can't be read."""
        senders: list[ForwardingSender] = []
        problems: list[Problem] = []
        for one in settings.forward:
            try:
                centre = make_centre(one)
            except NoSecret as error:
                problems.append(Problem(f"forward {one.name}", str(error)))
                continue
            senders.append(ForwardingSender(centre, one.site, store, clock, entropy, lambda: load.overloaded, _tell))
        if problems:
            raise BadSettings("the centres to forward to", problems)
        return cls(senders)

    def duty(self, supervisor: Supervisor) -> DutyWork:
        """Of several workers one forwards; two would only send the same twice."""

        async def begin() -> None:
            self.at_work = True
            for one in self.senders:
                supervisor.start(TASK, _named(one), one.run, heartbeat=one.heartbeat, forever=True)

        async def end() -> None:
            self.at_work = False
            for one in self.senders:
                await supervisor.end(_named(one))

        return DutyWork(begin, end)

    async def close(self) -> None:
        """After their tasks have ended."""
        for one in self.senders:
            await one.centre.close()

    def telemetry(self) -> Mapping[str, ForwardingTelemetry]:
        """Nothing where another worker forwards."""
        return {one.name: one.telemetry() for one in self.senders if self.at_work}


def _named(sender: ForwardingSender) -> str:
    return f"forwarding to {sender.name}"


def _tell(centre: str, what: str, why: str) -> None:
    log.warning("forwarding", centre=centre, what=what, why=why)
