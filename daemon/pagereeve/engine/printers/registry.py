"""All watchers: one for each printer of the registry, and passing ones for names that nobody registered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Reading
from pagereeve.engine.printers.reading_recorder import reading_of
from pagereeve.engine.printers.waiting_strangers import WaitingStrangers
from pagereeve.engine.printers.watcher import PrinterWatcher, WatcherContext
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.telemetry import PrinterTelemetry

# Names that nobody registered come from outside: so many watchers at once, and the next in line when one leaves.
STRANGERS_MAX = 200


@dataclass(frozen=True, slots=True)
class RegisteredPrinter:
    target: MeterTarget
    policy: Policy
    gateway: str = ""


@dataclass(slots=True)
class PrinterRegistry:
    """Who owns which printer, and which printers are behind a gateway."""

    around: WatcherContext
    supervisor: Supervisor
    registered: Mapping[str, RegisteredPrinter]
    watchers: dict[str, PrinterWatcher] = field(default_factory=dict)
    _behind: dict[str, list[str]] = field(default_factory=dict)
    _waiting: WaitingStrangers = field(default_factory=WaitingStrangers)

    def start(self, seen: Mapping[str, PlateauRead | ReadFailed] | None = None) -> None:
        """``seen``: what each meter was last seen to do, which is shown until it is read again."""
        known = seen or {}
        for name, registered in self.registered.items():
            if registered.gateway:
                self._behind.setdefault(registered.gateway, []).append(name)
            seen_last = reading_of(known.get(name))
            self._begin(self._owner(name, registered, seen_last))

    async def stop(self) -> None:
        """End all watchers, and leave the rows as the journal has them. Raises JournalUnavailable if it can't."""
        watchers = list(self.watchers.values())
        await self.supervisor.stop()
        for watcher in watchers:
            await watcher.finish()
        while (name := self._waiting.next()) is not None:
            # Whose turn had not come: its rows would wait for its next event.
            watcher = PrinterWatcher(name, self.around)
            watcher.updater.changed()
            await watcher.finish()

    def behind(self, gateway: str) -> Sequence[str]:
        """Printers behind a gateway, in the registry's order."""
        return self._behind.get(gateway, ())

    def watcher(self, printer: str) -> PrinterWatcher | None:
        """The printer's watcher; a stranger gets one for as long as something comes.

        None beyond STRANGERS_MAX of these: it gets one when it is its turn, which reads from the journal what came.
        """
        known = self.watchers.get(printer)
        if known is not None:
            return known
        registered = self.registered.get(printer)
        if registered is not None:
            # Its watcher was ended by somebody, which the supervisor reports; the printer still has a meter to read.
            return self._begin(self._owner(printer, registered))
        if self._strangers() >= STRANGERS_MAX:
            if not self._waiting:
                for name in self.watchers.keys() - self.registered.keys():
                    self.watchers[name].leave_when_done()
            self._waiting.add(printer)
            return None
        return self._begin(PrinterWatcher(printer, self.around))

    def _strangers(self) -> int:
        return len(self.watchers.keys() - self.registered.keys())

    def _owner(self, name: str, registered: RegisteredPrinter, seen: Reading | None = None) -> PrinterWatcher:
        target, policy = registered.target, registered.policy
        return PrinterWatcher(name, self.around, target, policy, seen=seen, gateway=registered.gateway)

    def telemetry(self) -> Iterator[PrinterTelemetry]:
        """Of the registry's own printers: strangers are no part of the site. Watchers may come and go meanwhile."""
        for name, watcher in list(self.watchers.items()):
            if name in self.registered:
                yield watcher.telemetry()

    def _begin(self, watcher: PrinterWatcher) -> PrinterWatcher:
        self.watchers[watcher.printer] = watcher
        task = self.supervisor.start(
            "printers",
            f"printer {watcher.printer}",
            watcher.run,
            heartbeat=watcher.heartbeat,
            forever=watcher.target is not None,
        )
        task.add_done_callback(lambda _: self._left(watcher))
        return watcher

    def _left(self, watcher: PrinterWatcher) -> None:
        if self.watchers.get(watcher.printer) is watcher:
            del self.watchers[watcher.printer]
        name = None if self.supervisor.stopping else self._waiting.next()
        if name is None:
            return
        following = self.watcher(name)
        if following is not None and self._waiting:
            following.leave_when_done()
