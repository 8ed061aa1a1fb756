"""What one printer's meter did: the run of equal readings under way, and what of it is durable."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from pagereeve.domain.brackets.plateaus import begun, record
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock
from pagereeve.ports.spool import NotSpooled, RunSpool
from pagereeve.ports.store import WatcherStore

# A plateau that only grows is written down this often; sooner when a row of the ledger rests on it.
OBSERVE_EVERY_US = 5 * SECOND_US
# The second failure in a row still proves something, the third no more; the second reading of a sight only where the
# first waits for a witness, which its projection says (OpenWindows.unwitnessed).
FAILURES_PROVE = 2
# So many runs of one printer wait in memory where even the spool takes none.
UNSPOOLED_MAX = 1_000
BROUGHT_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Taken:
    """What a result came to. ``sealed`` are finished runs, which become facts of the journal; ``current`` is the open
    one. ``same``: it shows nothing that the results before it did not, unless one of them waits for a second.
    """

    sealed: Sequence[PlateauRead | ReadFailed]
    current: PlateauRead | ReadFailed
    same: bool

    @property
    def moved(self) -> bool:
        """It ends no silence and begins none: the meter shows something else than before."""
        return bool(self.sealed) and all(isinstance(one, PlateauRead) for one in (*self.sealed, self.current))


@dataclass(slots=True)
class ReadingRecorder:
    """``current`` is the run under way. ``in_doubt``: whether the journal holds what must be in it is not known, as the
    caller gave up waiting, or it holds more than the caller has read; only ``load`` can tell. ``apart``: what the first
    read gives begins a run of its own, as what was recorded before has dates that it can't be compared with.
    ``spool``: where runs wait while the journal's database is away; None where they can't. ``held`` returns once it is
    known whether this worker still watches the printer, and is asked before anything is stored: where it does not,
    nobody comes here again. ``brought``: the first of the runs that came into the journal out of the spool, until rows
    know it.
    """

    printer: str
    journal: WatcherStore
    clock: Clock
    last: Reading | Failure | None = None
    last_good: Reading | None = None
    current: PlateauRead | ReadFailed | None = None
    in_doubt: bool = False
    apart: bool = False
    spool: RunSpool | None = None
    held: Callable[[], Awaitable[None]] | None = None
    brought: PlateauRead | ReadFailed | None = None
    _durable: PlateauRead | ReadFailed | None = None
    _durable_us: int = 0
    _sealed: tuple[PlateauRead | ReadFailed, ...] = ()
    _due: bool = False
    _unread: bool = False

    @property
    def spooled(self) -> bool:
        return self.spool is not None and self.spool.has_runs(self.printer)

    async def load(self) -> PlateauRead | ReadFailed | None:
        """The run that the journal holds; it is the one under way from now on. ``bring`` comes first."""
        known = await self.journal.open_run(self.printer)
        self.current = self._durable = None if known is None else known.fact
        self._sealed, self._due, self.in_doubt, self._unread = (), False, False, False
        self.remember(self.current)
        return self.current

    def remember(self, run: PlateauRead | ReadFailed | None) -> None:
        """Show its reading as the last good one, as long as nothing better is known."""
        self.last_good = self.last_good or reading_of(run)

    def take(self, result: Reading | Failure, sent_us: int) -> Taken:
        """Record what a read gave that was sent at ``sent_us`` (monotonic). ``keep_due`` or ``keep`` must follow."""
        recorded = (
            begun(self.printer, self.current, result) if self.apart else record(self.printer, self.current, result)
        )
        sealed = () if recorded.sealed is None else (recorded.sealed,)
        if sealed or self.current is None or sent_us - self._durable_us > OBSERVE_EVERY_US:
            self._sealed += sealed
            self._due = True
        self.current, self.apart = recorded.current, False
        return Taken(sealed, recorded.current, not sealed and _is_known(recorded.current))

    def note(self, result: Reading | Failure) -> None:
        """It is the last result from now on."""
        self.last = result
        if isinstance(result, Reading):
            self.last_good = result

    async def keep_due(self) -> None:
        """Make durable finished runs, and the growing one where it is time for that. Raises JournalUnavailable."""
        await self._is_held()
        current = self.current
        if self._due and current is not None:
            self._due, self.in_doubt = False, True
            await self.bring()
            await self.journal.observe(self.printer, self._sealed, current)
            self._kept(current)

    async def keep(self, update: Update, after: int | None = None) -> None:
        """Store rows, with all readings that they may rest on. Raises JournalUnavailable or StaleRows, and nothing was
        stored.
        """
        await self._is_held()
        await self.bring()
        await self._keep(update, after)
        if not self._unread:
            self.brought = None

    async def _keep(self, update: Update, after: int | None) -> None:
        current = self.current
        if current is None or (current is self._durable and not self._due):
            await self.journal.replace(self.printer, update.from_anchor_us, update.segments, after=after)
            return
        due, self._due, self.in_doubt = self._due, False, True
        try:
            await self.journal.keep_turn(self.printer, self._sealed, current, update, after=after)
        except Exception:
            # Nothing of it was stored; perhaps the readings can be without the rows.
            self._due = due
            raise
        self._kept(current)

    async def shelter(self, *, due_only: bool = False) -> None:
        """What the journal does not take now goes into the spool, or waits in memory where that takes nothing either:
        then the oldest of what is too much is let go, and ``counted`` all the same, between the runs that stay.
        """
        current = self.current
        if self.spool is None or current is None or (due_only and not self._due):
            return
        try:
            await self.spool.keep_runs(self.printer, self._sealed, current)
        except NotSpooled:
            self._due = True
            self._sealed = self._sealed[-UNSPOOLED_MAX:]
        else:
            self._due = False
            self._kept(current)

    async def keep_all(self) -> None:
        """Make durable all that was read, whether it is time for that or not. Raises JournalUnavailable."""
        self._due = self.current is not None
        await self.keep_due()

    async def bring(self) -> None:
        """Runs that waited go into the journal, in order, under the numbers that it gives them. A run that is brought
        twice, as the process was killed in between, counts once (domain). Raises JournalUnavailable, NotSpooled.
        """
        while self.spool is not None and self.spooled:
            self.in_doubt = self._unread = True
            runs = await self.spool.runs(self.printer, BROUGHT_AT_ONCE)
            last = runs.current or self.current or (runs.sealed[-1] if runs.sealed else None)
            if last is not None:
                await self.journal.observe(self.printer, [one for one in runs.sealed if one is not last], last)
                self.brought = self.brought or next(iter(runs.sealed), last)
            await self.spool.drop_runs(self.printer, runs)

    async def _is_held(self) -> None:
        if self.held is not None:
            await self.held()

    def _kept(self, current: PlateauRead | ReadFailed) -> None:
        self._sealed, self.in_doubt = (), self._unread
        self._durable, self._durable_us = current, self.clock.monotonic_us()


def reading_of(run: PlateauRead | ReadFailed | None) -> Reading | None:
    """The last reading of a run, for a watcher that has not read yet; None where it is no good one."""
    if not isinstance(run, PlateauRead):
        return None
    plateau = run.plateau
    return Reading(
        plateau.last_sent_us, plateau.last_received_us, plateau.sight, plateau.last_uptime_cs, plateau.last_power_on
    )


def _is_known(current: PlateauRead | ReadFailed) -> bool:
    if isinstance(current, PlateauRead):
        return current.plateau.count > 1
    return current.silence.count > FAILURES_PROVE
