"""All watchers: one for each printer of the registry, and passing ones for names that nobody registered."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Reading
from pagereeve.engine.printers.context import WatcherContext
from pagereeve.engine.printers.reading_recorder import reading_of
from pagereeve.engine.printers.waiting_strangers import WaitingStrangers
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.telemetry import PrinterTelemetry

# Names that nobody registered come from outside: so many watchers at once, and the next in line when one leaves.
STRANGERS_MAX = 200
# So many printers that come, or whose target is another one, are read at once; more wait for their turn.
READ_AT_ONCE_MAX = 20
CHANGE_PAUSE_S = 0.02
# Within so long each printer that this worker takes over is read: nobody may have read it since its last one died.
TAKEN_SPREAD_S = 5.0
# So many leave their rows together at the stop: one commit holds what they leave.
FINISHED_AT_ONCE_MAX = 64


@dataclass(frozen=True, slots=True)
class RegisteredPrinter:
    """``target`` is None where people read the panel, and nothing is asked over the network."""

    target: MeterTarget | None
    policy: Policy
    gateway: str = ""


@dataclass(frozen=True, slots=True)
class RegistryChange:
    """Names of printers; ``changed`` are those whose target, policy or gateway is another one."""

    added: Sequence[str] = ()
    removed: Sequence[str] = ()
    changed: Sequence[str] = ()

    @classmethod
    def between(cls, before: Mapping[str, RegisteredPrinter], after: Mapping[str, RegisteredPrinter]) -> RegistryChange:
        return cls(
            added=[name for name in after if name not in before],
            removed=[name for name in before if name not in after],
            changed=[name for name, one in after.items() if name in before and before[name] != one],
        )


@dataclass(slots=True)
class PrinterRegistry:
    """Who owns which printer, and which printers are behind a gateway. ``watches``: whether a printer of the registry
    is to be watched here, and by no other worker.
    """

    around: WatcherContext
    supervisor: Supervisor
    registered: Mapping[str, RegisteredPrinter]
    watches: Callable[[str], bool] = lambda _: True
    watchers: dict[str, PrinterWatcher] = field(default_factory=dict)
    _behind: Mapping[str, Sequence[str]] = field(default_factory=dict)
    _leaving: set[str] = field(default_factory=set)
    _waiting: WaitingStrangers = field(default_factory=WaitingStrangers)

    def start(
        self, seen: Mapping[str, PlateauRead | ReadFailed] | None = None, written: Iterable[str] | None = None
    ) -> None:
        """``seen``: what each meter was last seen to do, which is shown until it is read again. ``written``: the
        printers of which the journal holds anything; None where that is not known.
        """
        fresh = set() if written is None else self.registered.keys() - set(written)
        known = seen or {}
        self._behind = _behind_of(self.registered)
        for name, registered in self.registered.items():
            if not self.watches(name):
                continue
            seen_last = reading_of(known.get(name))
            self._begin(self._owner(name, registered, seen_last, unwritten=name in fresh))

    async def change(
        self, registered: Mapping[str, RegisteredPrinter], between: Callable[[], Awaitable[None]] | None = None
    ) -> RegistryChange:
        """From now on these printers. ``between`` is called when those that are removed have no owner any more, and
        those that are added have none yet. What came for one that is added or removed meanwhile is in the journal, from
        which its next owner reads it: there is never a second owner beside the first.
        """
        before, self.registered = self.registered, dict(registered)
        self._behind = _behind_of(registered)
        change = RegistryChange.between(before, registered)
        for name in change.removed:
            await self._replace(name, None)
        if between is not None:
            await between()
        for name in filter(self.watches, change.added):
            watcher = self._owner(name, registered[name])
            await self._replace(name, watcher)
            if len(change.added) <= READ_AT_ONCE_MAX:
                watcher.ask_for_reading()
        for number, name in enumerate(filter(self.watches, change.changed), 1):
            one = registered[name]
            read = one.target != before[name].target and len(change.changed) <= READ_AT_ONCE_MAX
            owner = self.watchers.get(name) or self._begin(self._owner(name, one))
            owner.change(one.target, one.policy, one.gateway, read=read)
            if number % READ_AT_ONCE_MAX == 0:
                # A new policy of thousands wakes thousands, which all store a fact: others come to run in between.
                await self.around.clock.sleep(CHANGE_PAUSE_S)
        return change

    def take_up(self, printers: Sequence[str]) -> None:
        """This worker watches them from now on: each goes on where the journal says that its meter was last seen."""
        soon = replace(self.around, first_spread_s=min(self.around.first_spread_s, TAKEN_SPREAD_S))
        for name in printers:
            registered = self.registered.get(name)
            passing = self.watchers.get(name)
            if registered is not None and passing is not None and not passing.registered:
                passing.change(registered.target, registered.policy, registered.gateway, read=True)
            elif registered is not None and passing is None:
                target, policy, gateway = registered.target, registered.policy, registered.gateway
                self._begin(PrinterWatcher(name, soon, target, policy, gateway=gateway))

    async def let_go(self, printers: Sequence[str]) -> None:
        """Another worker is to watch them: what was read is stored, and their rows are as the journal has them. Where
        that can't be, who has them next sees to it.
        """
        for start in range(0, len(printers), FINISHED_AT_ONCE_MAX):
            some = [name for name in printers[start : start + FINISHED_AT_ONCE_MAX] if name in self.watchers]
            await asyncio.gather(*(self._replace(name, None, is_anothers=True) for name in some))
        self._bring_what_waits(printers)

    async def drop(self, printers: Sequence[str]) -> None:
        """Another worker watches them already. What was read of them and is neither stored nor in the spool is
        forgotten: the meter has counted on, and the other reads it.
        """
        for name in printers:
            leaving = self.watchers.get(name)
            if leaving is not None:
                self._leaving.add(name)
                try:
                    await self.supervisor.end(_task_of(name))
                    await leaving.reads.drop()
                finally:
                    self._leaving.discard(name)
                    self.watchers.pop(name, None)
        self._bring_what_waits(printers)

    async def _replace(self, name: str, successor: PrinterWatcher | None, *, is_anothers: bool = False) -> None:
        """A watcher leaves its rows as the journal has them, and only then is there another one."""
        leaving = self.watchers.get(name)
        if leaving is not None:
            self._leaving.add(name)
            try:
                await self.supervisor.end(_task_of(name))
                await leaving.finish()
            except JournalUnavailable:
                # Whoever opens the rows next leaves them as the journal has them.
                successor = successor or (None if is_anothers else PrinterWatcher(name, self.around))
            finally:
                self._leaving.discard(name)
                self.watchers.pop(name, None)
            if successor is None and leaving.left_something and not is_anothers:
                successor = PrinterWatcher(name, self.around)
        if successor is not None:
            self._begin(successor)

    async def stop(self) -> None:
        """End all watchers, and leave the rows as the journal has them. Raises JournalUnavailable if it can't."""
        watchers = list(self.watchers.values())
        await self.supervisor.stop()
        for start in range(0, len(watchers), FINISHED_AT_ONCE_MAX):
            some = watchers[start : start + FINISHED_AT_ONCE_MAX]
            ends = await asyncio.gather(*(watcher.finish() for watcher in some), return_exceptions=True)
            for failed in ends:
                if failed is not None:
                    raise failed
        while (name := self._waiting.next()) is not None:
            # Whose turn had not come: its rows would wait for its next event.
            watcher = PrinterWatcher(name, self.around)
            watcher.updater.changed()
            await watcher.finish()

    def look_again(self) -> None:
        """Each watcher takes a turn: the journal is back."""
        for watcher in list(self.watchers.values()):
            watcher.look_again()

    def read_behind(self, gateway: str) -> None:
        """Meters that were left in peace while their gateway was down."""
        for name in self.behind(gateway):
            watcher = self.watchers.get(name)
            if watcher is not None:
                watcher.ask_for_reading()

    def behind(self, gateway: str) -> Sequence[str]:
        """Printers behind a gateway, in the registry's order."""
        return self._behind.get(gateway, ())

    def watcher(self, printer: str) -> PrinterWatcher | None:
        """The printer's watcher; a stranger gets one for as long as something comes. None where another worker watches
        it.

        None beyond STRANGERS_MAX of these: it gets one when it is its turn, which reads from the journal what came.
        """
        known = self.watchers.get(printer)
        if known is not None:
            return known
        registered = self.registered.get(printer)
        if registered is not None:
            if not self.watches(printer):
                return None
            # Its watcher was ended by somebody, which the supervisor reports; the printer still has a meter to read.
            return self._begin(self._owner(printer, registered))
        if self._strangers() >= STRANGERS_MAX:
            if not self._waiting:
                for name in self.watchers.keys() - self.registered.keys():
                    self.watchers[name].leave_when_done()
            self._waiting.add(printer)
            return None
        return self._begin(PrinterWatcher(printer, self.around))

    def bring(self, printer: str) -> None:
        """Something of it waits on this machine: it goes into the journal, whoever watches the printer."""
        if self.watcher(printer) is None and printer in self.registered:
            self._pass_by(printer)

    def _bring_what_waits(self, printers: Iterable[str]) -> None:
        """Of those that are another's from now on: the spool is this machine's, and nobody else can bring it."""
        for name in printers:
            if self.around.spool is not None and self.around.spool.has_runs(name) and name not in self.watchers:
                self._pass_by(name)

    def _pass_by(self, printer: str) -> None:
        """It leaves soon: whoever asks here for a reading meanwhile would hear that there is no meter."""
        self._begin(PrinterWatcher(printer, self.around)).leave_when_done()

    def _strangers(self) -> int:
        return len(self.watchers.keys() - self.registered.keys())

    def _owner(
        self, name: str, registered: RegisteredPrinter, seen: Reading | None = None, *, unwritten: bool = False
    ) -> PrinterWatcher:
        target, policy, gateway = registered.target, registered.policy, registered.gateway
        return PrinterWatcher(name, self.around, target, policy, seen=seen, gateway=gateway, unwritten=unwritten)

    def telemetry(self) -> Iterator[PrinterTelemetry]:
        """Of the registry's own printers: strangers are no part of the site. Watchers may come and go meanwhile."""
        for name, watcher in list(self.watchers.items()):
            if name in self.registered:
                yield watcher.telemetry()

    def _begin(self, watcher: PrinterWatcher) -> PrinterWatcher:
        self.watchers[watcher.printer] = watcher
        self.supervisor.start(
            "printers",
            _task_of(watcher.printer),
            watcher.run,
            heartbeat=watcher.heartbeat,
            forever=watcher.registered,
            on_end=partial(self._left, watcher),
        )
        return watcher

    def _left(self, watcher: PrinterWatcher) -> None:
        if watcher.printer not in self._leaving and self.watchers.get(watcher.printer) is watcher:
            del self.watchers[watcher.printer]
        name = None if self.supervisor.stopping else self._waiting.next()
        if name is None:
            return
        following = self.watcher(name)
        if following is not None and self._waiting:
            following.leave_when_done()


def _task_of(printer: str) -> str:
    return f"printer {printer}"


def _behind_of(registered: Mapping[str, RegisteredPrinter]) -> Mapping[str, Sequence[str]]:
    behind: dict[str, list[str]] = {}
    for name, one in registered.items():
        if one.gateway:
            behind.setdefault(one.gateway, []).append(name)
    return behind
