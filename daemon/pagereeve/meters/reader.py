"""The meter over SNMP: one small GET of pinned instances for each read, found once, watched ever after."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import TypeVar

from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.domain.values.amounts import amount
from pagereeve.meters.agent_state import AgentState, SeenDevice, Shown
from pagereeve.meters.asking import ask_at
from pagereeve.meters.discovery.channels import says_unknown
from pagereeve.meters.discovery.inspecting import inspection_of, shared_serial
from pagereeve.meters.discovery.introduction import Introduction
from pagereeve.meters.discovery.objects import Pins
from pagereeve.meters.discovery.profile import Profiles, shipped_profiles
from pagereeve.meters.discovery.refusing import not_known_now, wrong_responder
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.survey import Survey, survey
from pagereeve.meters.jobs.looking import LOOK_MAX_S, jobs_told
from pagereeve.meters.recording.capture import captured
from pagereeve.meters.registered_unit import with_registered_unit
from pagereeve.meters.sighting import COMPARABLE, MeterSighting, figure
from pagereeve.meters.snmp.address import AgentAddress, NameNotFound, Resolver, key_label
from pagereeve.meters.snmp.ber import DecodeError, Varbind
from pagereeve.meters.snmp.conversation import Conversation, Got, Heard
from pagereeve.meters.snmp.endpoint import Endpoint
from pagereeve.meters.snmp.habits import HIDING, Habit, told
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.question import ReadEnded, RequestPatience, SnmpAnswer, leave_of
from pagereeve.meters.snmp.session3 import Session3
from pagereeve.meters.snmp.stats import MeterHooks, MeterStats
from pagereeve.meters.snmp.turns import Turns
from pagereeve.meters.snmp.usm import refuse_weak
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.jobs import JobsLook
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.telemetry import MeterTelemetry

FIRST_WAIT_MIN_S = 0.25
FIRST_WAIT_MAX_S = 1.0
FIRST_WAIT_SHARE = 0.25
TIMEOUTS_BEFORE_MOVE = 3
TIMEOUT_MAX_S = 600.0
# Tables whose rows are added up are looked through again this often: a new paper size is a new row.
LOOK_AGAIN_S = 3600

# After these the meter is searched for again.
_UNPINS = frozenset({SilenceReason.WRONG_DEVICE, SilenceReason.WRONG_RESPONDER, SilenceReason.NO_METER})
# After these the path may be wrong: an old NAT mapping stays alive while one local port keeps asking.
_MISDIRECTED = frozenset({SilenceReason.WRONG_DEVICE, SilenceReason.WRONG_RESPONDER, SilenceReason.REFUSED})
_SILENT = frozenset({SilenceReason.TIMEOUT, SilenceReason.UNREACHABLE})


Answer = TypeVar("Answer")


@dataclass(slots=True)
class _Inspection:
    """What an inspection has seen so far, wherever it ends."""

    printer: AgentState
    said: Introduction = field(default_factory=Introduction)
    seen: Survey | None = None
    responder: str = ""


class SnmpMeter:
    """Implements ports.meter.Meter and ports.jobs.JobWitness on a shared Endpoint of the running loop."""

    def __init__(
        self,
        endpoint: Endpoint,
        clock: Clock,
        *,
        resolver: Resolver | None = None,
        hooks: MeterHooks | None = None,
        profiles: Profiles | None = None,
    ) -> None:
        self.endpoint = endpoint
        self.profiles = profiles or shipped_profiles()
        self.stats = endpoint.stats
        self._clock = clock
        self._resolver = resolver or Resolver(clock, endpoint.stats)
        self._hooks = hooks or MeterHooks()
        self._printers: dict[str, AgentState] = {}
        self._turns = Turns(clock)

    @classmethod
    def of(
        cls, clock: Clock, entropy: Entropy, hooks: MeterHooks | None = None, profiles: Profiles | None = None
    ) -> SnmpMeter:
        """A meter with an endpoint of its own; sockets open with the first read."""
        return cls(Endpoint(clock, entropy, MeterStats()), clock, hooks=hooks, profiles=profiles)

    def telemetry(self) -> MeterTelemetry:
        return self.stats.telemetry(self.endpoint.kernel_drops)

    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        """One reading within ``timeout_s`` (seconds, waiting for an earlier read included), or why there is none."""
        begun_us, began_us = self._clock.monotonic_us(), self._clock.now_us()
        deadline_us = begun_us + int(min(timeout_s, TIMEOUT_MAX_S) * 1_000_000)
        result: Reading | Failure
        try:
            result = await self._in_turn(target, deadline_us, partial(self._watched, self._printer(target)))
        except ReadEnded as ended:
            received_us = began_us + self._clock.monotonic_us() - begun_us
            result = Failure(began_us, received_us, ended.reason, ended.detail, ended.responder)
        self.stats.reads["reading" if isinstance(result, Reading) else result.reason.value] += 1
        if self._hooks.on_read is not None:
            self._hooks.on_read(target.printer, result, (self._clock.monotonic_us() - begun_us) / 1_000_000)
        return result

    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        """Look an agent over from scratch within ``timeout_s`` (seconds): what is remembered of it plays no part."""
        begun_us, began_us = self._clock.monotonic_us(), self._clock.now_us()
        deadline_us = begun_us + int(min(timeout_s, TIMEOUT_MAX_S) * 1_000_000)
        look = _Inspection(AgentState(target))
        result: Reading | Failure
        try:
            result = await self._in_turn(target, deadline_us, partial(self._looked, look))
        except ReadEnded as ended:
            received_us = began_us + self._clock.monotonic_us() - begun_us
            result = Failure(began_us, received_us, ended.reason, ended.detail, ended.responder)
            look.responder = look.responder or ended.responder
        took_s = (self._clock.monotonic_us() - begun_us) / 1_000_000
        return inspection_of(look.seen, look.said, target, look.responder, result, took_s)

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        """Implements ports.jobs.JobWitness over the conversation that reads the meter (RFC 2707)."""
        printer = self._printer(target)
        if printer.pins is None or not printer.jobs.is_due(printer.pins, self._clock.monotonic_us()):
            return ()
        deadline_us = self._clock.monotonic_us() + int(min(timeout_s, LOOK_MAX_S) * 1_000_000)
        act = partial(self._looked_at_jobs, printer, busy=busy, names=names)
        try:
            look = await self._in_turn(target, deadline_us, act)
        except (ReadEnded, DecodeError):
            # A witness that says nothing costs no reading: the meter's own read tells of silence.
            self.stats.failed_looks += 1
            return ()
        return () if look is None else (look,)

    async def _looked_at_jobs(
        self, printer: AgentState, deadline_us: int, *, busy: bool, names: Sequence[str]
    ) -> JobsLook | None:
        conversation = await self._conversation(printer, deadline_us)
        # What an agent lacks of a job that is gone says nothing of its meter.
        conversation.limits = printer.limits.for_others()
        return await printer.jobs.look(conversation, self._clock.monotonic_us(), busy=busy, names=names)

    async def _looked(self, look: _Inspection, deadline_us: int) -> Reading:
        conversation = await self._conversation(look.printer, deadline_us)
        try:
            return await self._looked_at(look, conversation)
        except ReadEnded:
            if conversation.answered:
                await look.said.go_on(conversation)
            raise

    async def _looked_at(self, look: _Inspection, conversation: Conversation) -> Reading:
        printer = look.printer
        responder = conversation.responder
        try:
            await conversation.greet_either_way()
            await look.said.begin(conversation)
            look.responder = responder
            look.seen = await survey(conversation, printer.target, self.profiles)
            got, pins = await ask_at(conversation, look.seen.pins())
            look.seen.notes += shared_serial(got.values.get(pins.serial))
            result = self._reading(printer, pins, got, responder)
        except DecodeError as error:
            raise ReadEnded(SilenceReason.MALFORMED, f"{responder}: {error}", responder) from error
        except ReadEnded as ended:
            never = ended.reason is SilenceReason.TIMEOUT and not ended.responder and not conversation.answered
            raise (_never_heard(ended) if never else await _explained(ended, conversation)) from ended
        if printer.limits.habits:
            look.seen.notes.append(told(printer.limits.habits))
        look.seen.notes += await jobs_told(conversation)
        return result

    async def record(self, target: MeterTarget, timeout_s: float) -> Mapping[bytes, Varbind]:
        """What the agent answers, by encoded name, within ``timeout_s`` (seconds). Raises ReadEnded."""
        deadline_us = self._clock.monotonic_us() + int(min(timeout_s, TIMEOUT_MAX_S) * 1_000_000)
        conversation = await self._conversation(AgentState(target), deadline_us)
        names: tuple[bytes, ...] = ()
        try:
            names = (await survey(conversation, target, self.profiles)).pins().names
        except ReadEnded:
            # What has no meter that is known is recorded all the more.
            if not conversation.answered:
                raise
        return await captured(conversation, names)

    def forget(self, printer: str) -> None:
        """Drop what is remembered of a printer that the registry no longer has."""
        known = self._printers.pop(printer, None)
        if known is not None:
            self.endpoint.leave_lane(known.lane)

    async def close(self) -> None:
        """End all reads as timed out and close the sockets."""
        self.endpoint.close()
        await self._resolver.close()

    async def _in_turn(self, target: MeterTarget, deadline_us: int, act: Callable[[int], Awaitable[Answer]]) -> Answer:
        """Never two requests in flight to one printer, nor to one host and port, whatever the registry says."""
        place = (target.host, target.port)
        try:
            if not self._turns.enter_now(target.printer):
                await self._turns.enter(target.printer, deadline_us)
            try:
                if not self._turns.enter_now(place):
                    await self._turns.enter(place, deadline_us)
                try:
                    return await act(deadline_us)
                finally:
                    self._turns.leave(place)
            finally:
                self._turns.leave(target.printer)
        except TimeoutError:
            detail = "not asked: an earlier read of the same printer, host and port used all the time"
            raise ReadEnded(SilenceReason.TIMEOUT, detail) from None

    def _printer(self, target: MeterTarget) -> AgentState:
        printer = self._printers.get(target.printer)
        if printer is None or (printer.target is not target and printer.target != target):
            self.forget(target.printer)
            printer = self._printers[target.printer] = AgentState(target)
        return printer

    async def _watched(self, printer: AgentState, deadline_us: int) -> Reading:
        """A read, and the lessons of its failure for the next one."""
        begun_us = self._clock.monotonic_us()
        try:
            reading = await self._read_as_usual(printer, deadline_us)
        except ReadEnded as ended:
            printer.usual = None
            self._learn(printer, ended.reason)
            raise self._told_apart(printer, ended, begun_us) from ended
        printer.timeouts, printer.failed, printer.tried_us = 0, False, None
        printer.answered = True
        self.stats.slow_reads += 2 * (self._clock.monotonic_us() - begun_us) > deadline_us - begun_us
        return reading

    def _told_apart(self, printer: AgentState, ended: ReadEnded, begun_us: int) -> ReadEnded:
        """Silence has kinds: answers that come too late, somebody who did answer before, or nobody who ever did."""
        last_us, printer.tried_us = printer.tried_us, begun_us
        if ended.reason is not SilenceReason.TIMEOUT or ended.responder or printer.address is None:
            return ended
        asked = key_label(printer.address.key)
        late = self.endpoint.late_answer(printer.address.key)
        if late is not None and last_us is not None and late.at_us >= last_us:
            text = f"{asked} answers within {_within_s(late.took_us):g} s of the request; lengthen watch.read_timeout"
            return ReadEnded(SilenceReason.LATE, text, asked)
        if printer.answered:
            # How long ago it answered stands in the journal: a figure that changes with every read would keep equal
            # failures from becoming one fact.
            text = f"no answer from {asked}, which answered before: asleep, off, or cut off"
            return ReadEnded(SilenceReason.ASLEEP, text)
        return _never_heard(ended)

    def _learn(self, printer: AgentState, reason: SilenceReason) -> None:
        self._resolver.forget(printer.target.host, printer.target.port)
        printer.failed = reason in _SILENT or reason is SilenceReason.MALFORMED
        printer.timeouts = printer.timeouts + 1 if reason in _SILENT else 0
        if reason in _UNPINS:
            printer.unpin()
        if reason is SilenceReason.WRONG_DEVICE:
            printer.object_id = ""
        if reason in _MISDIRECTED or printer.timeouts >= TIMEOUTS_BEFORE_MOVE:
            printer.lane = self.endpoint.another_lane(printer.lane)
            printer.timeouts = 0
            self.stats.port_moves += 1

    async def _read_as_usual(self, printer: AgentState, deadline_us: int) -> Reading:
        """One request, answered as last time but for the uptime: nearly every read. Others ``_read`` judges."""
        usual, target = printer.usual, printer.target
        address = self._resolver.known(target.host, target.port)
        if usual is None or address is None or address != printer.address or not self._goes_as_usual(printer):
            reading = await self._read(printer, deadline_us)
            printer.find_usual()
            return reading
        on_sent = self._hooks.on_sent
        result = await self.endpoint.ask(
            address,
            usual.request,
            deadline_us,
            _patience((deadline_us - self._clock.monotonic_us()) // 1000),
            lane=printer.lane,
            leave=leave_of(target),
            on_sent=partial(on_sent, target.printer) if on_sent else None,
        )
        uptime_cs = usual.uptime_cs(result.response) if isinstance(result, SnmpAnswer) else None
        if isinstance(result, SnmpAnswer) and uptime_cs is not None and uptime_cs >= (printer.uptime_cs or 0):
            printer.uptime_cs = uptime_cs
            return Reading(result.sent_us, result.received_us, usual.seen.sight, uptime_cs, usual.seen.power_on)
        reading = await self._read(printer, deadline_us, Heard(usual.request, result))
        printer.find_usual()
        return reading

    def _goes_as_usual(self, printer: AgentState) -> bool:
        """Whether the usual request is what ``_read`` would begin with."""
        session, limits, pins = printer.session, printer.limits, printer.pins
        if printer.failed or printer.look_again or limits.habits or limits.lacking or printer.jobs.beside():
            return False
        return (session is None or session.engine is not None) and pins is not None and not self._grows(printer, pins)

    async def _read(self, printer: AgentState, deadline_us: int, heard: Heard | None = None) -> Reading:
        """``heard`` is what came of a request that was sent already."""
        conversation = await self._conversation(printer, deadline_us, heard)
        responder = conversation.responder
        printer.limits.doubt(self._clock.monotonic_us())
        try:
            if printer.failed and printer.pins is not None:
                await conversation.greet()
            asked = await self._found(printer, conversation)
            got, printer.pins = await ask_at(conversation, asked, printer.jobs.beside())
            got = printer.jobs.parted(got, asked.names)
            reading = self._reading(printer, printer.pins, got, responder)
        except DecodeError as error:
            raise ReadEnded(SilenceReason.MALFORMED, f"{responder}: {error}", responder) from error
        except ReadEnded as ended:
            if ended.reason is SilenceReason.TIMEOUT and conversation.answered and not ended.responder:
                # It answers small questions: the large answers get lost on the way (inverse-inc/packetfence#2021).
                text = f"{ended.detail}, though it answered smaller ones; less is asked for at once next time"
                raise ReadEnded(ended.reason, text, responder) from ended
            raise await _explained(ended, conversation) from ended
        if printer.limits.habits:
            self._note_habits(printer)
        return reading

    async def _found(self, printer: AgentState, conversation: Conversation) -> Pins:
        """Where the meter is: known, or looked for."""
        known = printer.pins
        if known is not None and not printer.look_again and not self._grows(printer, known):
            return known
        if not conversation.answered:
            # A dead printer must not cost more than one request at a time, so the two ways to ask take turns.
            await conversation.greet(walk=not printer.answered and self._walks_first(printer))
        try:
            printer.pins = pins = await self._survey(printer, conversation)
        except ReadEnded as ended:
            if ended.reason is SilenceReason.NO_METER and known is not None:
                _refuse_unknown(known, (await conversation.get(known.names)).values, conversation.responder)
            raise
        printer.look_again = False
        return pins

    @staticmethod
    def _walks_first(printer: AgentState) -> bool:
        return Habit.GET_NOT_ANSWERED in printer.limits.habits or printer.timeouts % 2 == 1

    def _note_habits(self, printer: AgentState) -> None:
        habits = printer.limits.habits
        if habits - printer.habits_noted:
            printer.habits_noted |= habits
            self._note(printer, told(habits))

    async def _conversation(self, printer: AgentState, deadline_us: int, heard: Heard | None = None) -> Conversation:
        target = printer.target
        address = await self._address(target, deadline_us)
        if address != printer.address:  # what was seen is said to come from where it came from
            printer.address, printer.seen, printer.usual = address, None, None
        on_sent = self._hooks.on_sent
        return Conversation(
            self.endpoint,
            address,
            target,
            deadline_us,
            _patience((deadline_us - self._clock.monotonic_us()) // 1000),
            printer.limits,
            printer.lane,
            partial(on_sent, target.printer) if on_sent and heard is None else None,
            self._session(printer),
            heard,
        )

    def _session(self, printer: AgentState) -> Session3 | None:
        user = printer.target.user
        if printer.target.version != "3":
            return None
        if user is None or (problem := refuse_weak(user)):
            text = problem if user is not None else "SNMPv3 needs a user; the printer's entry names none"
            raise ReadEnded(SilenceReason.NOT_ADMITTED, text)
        if printer.session is None:
            printer.session = Session3(user, self._clock, self.endpoint.random_64())
        return printer.session

    def _grows(self, printer: AgentState, pins: Pins) -> bool:
        return bool(pins.growing) and self._clock.monotonic_us() - printer.surveyed_us > LOOK_AGAIN_S * 1_000_000

    async def _survey(self, printer: AgentState, conversation: Conversation) -> Pins:
        """Look the printer over, and say what is other than it was."""
        self.stats.discoveries += 1
        before = None if printer.look_again else printer.pins
        printer.limits.keep_lacking(())
        pins = (await survey(conversation, printer.target, self.profiles)).pins()
        printer.limits.keep_lacking(pins.names)
        printer.surveyed_us, printer.seen, printer.usual = self._clock.monotonic_us(), None, None
        if before is not None and (more := pins.parts - before.parts) > 0:
            self.stats.new_rows += more
            self._note(printer, f"{amount(more, 'new row')} in a table whose rows are added up: counted from now on")
        return pins

    def _note(self, printer: AgentState, text: str) -> None:
        if self._hooks.on_note is not None:
            self._hooks.on_note(printer.target.printer, text)

    def _reading(self, printer: AgentState, pins: Pins, got: Got, responder: str) -> Reading:
        uptime_cs = figure(got.values.pop(SYS_UP_TIME, None), self.stats)
        shown = tuple(got.values.values())
        seen = printer.seen
        if seen is None or seen.shown != shown:
            # Most answers of a resting meter differ in nothing but the uptime: they need no second look.
            seen = self._look(printer, pins, got, responder, shown)
        if uptime_cs is not None and printer.uptime_cs is not None and uptime_cs < printer.uptime_cs:
            # hrDeviceIndex lasts only until the agent restarts (RFC 2790 section 4): look again next time.
            printer.unpin()
        printer.uptime_cs = uptime_cs
        return Reading(got.sent_us, got.received_us, seen.sight, uptime_cs, seen.power_on)

    def _look(self, printer: AgentState, pins: Pins, got: Got, responder: str, shown: Shown) -> SeenDevice:
        """What an answer shows, if it comes from the printer that it should come from."""
        stats = self.stats
        flaws = stats.undecodable + stats.non_conforming
        sighting = MeterSighting(pins, got.values, responder, stats)
        object_id = sighting.object_id
        if sighting.foreign:
            raise ReadEnded(SilenceReason.WRONG_RESPONDER, wrong_responder(responder, object_id), responder)
        target = printer.target
        _same(responder, "sysObjectID", object_id, target.object_id.strip(".") or printer.object_id)
        _same(responder, "serial number", sighting.serial, "" if names_nobody(target.serial) else target.serial)
        seen = SeenDevice(shown, with_registered_unit(sighting.sight(), target), sighting.power_on)
        printer.object_id = object_id or printer.object_id
        if sighting.contradicted:
            # What contradicts the total is doubtful for good, or the agent was caught between two values.
            self._note(printer, "a part of the total contradicts it; the printer is looked over again")
            printer.look_again = True
        # An answer with a flaw is looked at again each time, so that each is counted.
        printer.seen = seen if flaws == stats.undecodable + stats.non_conforming else None
        return seen

    async def _address(self, target: MeterTarget, deadline_us: int) -> AgentAddress:
        left_s = (deadline_us - self._clock.monotonic_us()) / 1_000_000
        try:
            return await self._resolver.resolve(target.host, target.port, left_s)
        except NameNotFound as error:
            raise ReadEnded(SilenceReason.NAME_NOT_FOUND, str(error)) from error


def _refuse_unknown(pins: Pins, values: Mapping[bytes, Varbind], responder: str) -> None:
    """Raises ReadEnded where the count says of itself that it is unknown just now: absence, and no other meter."""
    asleep = [one for one in pins.channels if one.name in COMPARABLE and says_unknown(one, values)]
    if asleep:
        raise ReadEnded(SilenceReason.ASLEEP, not_known_now(responder, asleep), responder)


async def _explained(ended: ReadEnded, conversation: Conversation) -> ReadEnded:
    """A reason that rests on objects that were not found: its habits may have hidden them, and that is said."""
    if ended.reason not in {SilenceReason.WRONG_RESPONDER, SilenceReason.NO_METER}:
        return ended
    await conversation.doubt_walk()
    habits = conversation.limits.lately
    also = habits & {Habit.UPTIME_MISSING}
    if hiding := habits & HIDING:
        text = f"{conversation.responder} shows no count: {told(hiding | also)}"
        return ReadEnded(SilenceReason.NO_METER, text, ended.responder)
    return ReadEnded(ended.reason, f"{ended.detail}; {told(also)}", ended.responder) if also else ended


def _never_heard(ended: ReadEnded) -> ReadEnded:
    text = f"{ended.detail}, and never one before: off, another version or community, an access list, or no forward"
    return ReadEnded(ended.reason, text)


def _within_s(took_us: int) -> float:
    """The next of 0.1, 0.2, 0.5, 1, 2, 5 ... seconds: so coarse that a slow printer's failures are alike."""
    steps = (scale * step for scale in (0.1, 1.0, 10.0, 100.0) for step in (1, 2, 5))
    return next((limit_s for limit_s in steps if took_us <= limit_s * 1_000_000), TIMEOUT_MAX_S)


@lru_cache(maxsize=1024)
def _patience(left_ms: int) -> RequestPatience:
    """So much patience for each try as lets a few of them fit into the time that is left."""
    first_s = left_ms / 1000 * FIRST_WAIT_SHARE
    return RequestPatience(first_s=min(max(first_s, FIRST_WAIT_MIN_S), FIRST_WAIT_MAX_S))


def _same(responder: str, what: str, seen: str, expected: str) -> None:
    """An absent identity proves nothing and contradicts nothing (fusioninventory/fusioninventory-for-glpi#492)."""
    if seen and expected and seen != expected:
        detail = f"{responder} is another device: its {what} is {seen}, not {expected}"
        raise ReadEnded(SilenceReason.WRONG_DEVICE, detail, responder)
