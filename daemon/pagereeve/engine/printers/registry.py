"""All keepers: one for each printer of the registry, and passing ones for names that nobody registered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import Read, ReadFailed
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.printers.watcher import Keeper, Surroundings, reading_of
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.meter import MeterTarget

# Names that nobody registered come from outside: so many at once, no more.
STRANGERS_MAX = 200


@dataclass(frozen=True, slots=True)
class Registered:
    target: MeterTarget
    policy: Policy
    gateway: str = ""


@dataclass(slots=True)
class Desk:
    """Who owns which printer, and which printers stand behind a gateway."""

    around: Surroundings
    supervisor: Supervisor
    registry: Mapping[str, Registered]
    keepers: dict[str, Keeper] = field(default_factory=dict)
    _behind: dict[str, list[str]] = field(default_factory=dict)

    def start(self, seen: Mapping[str, Read | ReadFailed] | None = None) -> None:
        """``seen``: what each meter was last seen to do, which is shown until it is read again."""
        known = seen or {}
        for name, registered in self.registry.items():
            if registered.gateway:
                self._behind.setdefault(registered.gateway, []).append(name)
            last_good = reading_of(known.get(name))
            self._begin(Keeper(name, self.around, registered.target, registered.policy, last_good=last_good))

    async def stop(self) -> None:
        """End all keepers, and leave the rows as the journal has them. Raises JournalUnavailable if it can't."""
        keepers = list(self.keepers.values())
        await self.supervisor.stop()
        for keeper in keepers:
            await keeper.finish()

    def behind(self, gateway: str) -> Sequence[str]:
        """Printers behind a gateway, in the registry's order."""
        return self._behind.get(gateway, ())

    def keeper(self, printer: str) -> Keeper:
        """The printer's keeper; a stranger gets one for as long as something comes. Raises BadFact beyond the limit."""
        known = self.keepers.get(printer)
        if known is not None:
            return known
        registered = self.registry.get(printer)
        if registered is not None:
            # Its keeper was ended by somebody, which the supervisor tells; the printer still has a meter to read.
            return self._begin(Keeper(printer, self.around, registered.target, registered.policy))
        if len(self.keepers) - len(self.registry) >= STRANGERS_MAX:
            raise BadFact("data.printer", "names one more printer that is not in the registry; correct the name")
        return self._begin(Keeper(printer, self.around))

    def _begin(self, keeper: Keeper) -> Keeper:
        self.keepers[keeper.printer] = keeper
        task = self.supervisor.start(
            "keeper", f"keeper {keeper.printer}", keeper.run, beat=keeper.beat, forever=keeper.target is not None
        )
        task.add_done_callback(lambda _: self._left(keeper))
        return keeper

    def _left(self, keeper: Keeper) -> None:
        if self.keepers.get(keeper.printer) is keeper:
            del self.keepers[keeper.printer]
