"""Questions of one read to one agent, with the detours that agents ask for (``habits``), and a limit to each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.snmp.address import AgentAddress, key_label
from pagereeve.meters.snmp.ber import Varbind
from pagereeve.meters.snmp.endpoint import Endpoint
from pagereeve.meters.snmp.gathering import Gathering, Part, Restarted
from pagereeve.meters.snmp.habits import HIDING, Habit, told
from pagereeve.meters.snmp.limits import NO_HABITS, AgentLimits
from pagereeve.meters.snmp.message import GET, GET_NEXT, NO_SUCH_NAME, TOO_BIG, Response, error_name, template
from pagereeve.meters.snmp.names import SYS_UP_TIME, SYSTEM_GROUP
from pagereeve.meters.snmp.question import ReadEnded, RequestPatience, SnmpAnswer, SnmpRequest, Unanswered, leave_of
from pagereeve.meters.snmp.reports import take_report
from pagereeve.meters.snmp.session3 import UNKNOWN_ENGINE, Report, Session3, hint
from pagereeve.meters.snmp.stepping import Stepping
from pagereeve.ports.meter import MeterTarget

# Of the time left, a request that may go unanswered gets this share, or so many times what the slowest answer took.
SHARE_OF_TIME = 4
ROUND_TRIPS = 3
# One GET, however an agent answers, becomes at most so many requests for each name, and a few more.
REQUESTS_PER_NAME = 4
REQUESTS_MORE = 8
# How often a request is sent within its share of the time.
BRIEF_TRIES = 3


class Got(NamedTuple):
    """Values by name, true at some instant in [sent_us, received_us]. A name may be missing or absent.

    ``too_big``: the agent said so of a request with more beside these.
    """

    values: dict[bytes, Varbind]
    sent_us: int
    received_us: int
    too_big: bool = False


class Heard(NamedTuple):
    """A request that was sent before the conversation began, and what came of it: it is not sent a second time."""

    request: SnmpRequest
    result: SnmpAnswer | Unanswered


class Conversation:
    """All requests of one read share its deadline. Raises ReadEnded.

    ``answered``: whether the agent has answered any of them so far. ``limits`` outlives the conversation.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        address: AgentAddress,
        target: MeterTarget,
        deadline_us: int,
        patience: RequestPatience,
        limits: AgentLimits,
        lane: int,
        on_sent: Callable[[int], None] | None = None,
        session: Session3 | None = None,
        heard: Heard | None = None,
    ) -> None:
        self.responder = key_label(address.key)
        self._endpoint = endpoint
        self._address = address
        self._target = target
        self._deadline_us = deadline_us
        self._patience = patience
        self.limits = limits
        limits.lately = NO_HABITS
        self._lane = lane
        self._leave = leave_of(target)
        self._on_sent = on_sent
        self._session = session
        self._heard = heard
        self.answered = False
        self._heard_get = self._heard_next = self._saw_next = self._believed = False
        self._slowest_us = 0
        self._refusal = ""

    async def greet(self, *, walk: bool = False) -> None:
        """One small question, all the time for it: what gets lost later is then told from silence.

        ``walk`` asks by GETNEXT: some agents answer nothing else.
        """
        if not walk:
            answer = await self._ask_for((SYS_UP_TIME,))
            if answer is not None and _lacks_uptime(answer.response):
                self.limits.note(Habit.UPTIME_MISSING)
            return
        await self._ask(self._build(GET_NEXT, (SYSTEM_GROUP,)))
        self._heard_next = True

    async def greet_either_way(self) -> None:
        """The same by GET, and by GETNEXT where that stays without an answer for half of the time."""
        deadline_us = self._deadline_us
        self._deadline_us = (self._endpoint.now_us() + deadline_us) // 2
        try:
            await self.greet()
        except ReadEnded as ended:
            if ended.reason is not SilenceReason.TIMEOUT or ended.responder:
                raise
            self._deadline_us = deadline_us
            await self.greet(walk=True)
        finally:
            self._deadline_us = deadline_us

    async def get(self, names: Sequence[bytes], together: Sequence[Sequence[bytes]] = ()) -> Got:
        """The named instances, in one request if the agent allows, else in as few as it takes.

        Names of one of ``together`` come from one answer, or not at all. Answers are combined only where the agent did
        not restart between them.
        """
        limits = self.limits
        part = tuple([name for name in names if name not in limits.lacking]) if limits.lacking else tuple(names)
        if self.answered or not part or len(part) > limits.get.room:
            return await self._gather(names, together)
        # What nearly every read of the daemon is: one request, one whole answer.
        answer = await self._ask_for(part)
        if answer is None or not _is_whole(part, answer.response):
            return await self._gather(names, together, (part, answer))
        limits.get.works = max(limits.get.works, len(part))
        values = dict(zip(part, answer.response.varbinds, strict=True))
        return Got(values, answer.sent_us, answer.received_us)

    async def get_beside(
        self, names: Sequence[bytes], beside: Sequence[bytes], together: Sequence[Sequence[bytes]] = ()
    ) -> Got:
        """As ``get``, with the values of ``beside`` where the agent gives all in one answer.

        Where that is too big, refused, or lost, ``names`` alone are asked for at once, as if nobody had wanted more:
        nothing is learnt of the agent by it. An agent of SNMP v1 refuses a whole request for one row that is gone.
        """
        part, limits, too_big = (*names, *beside), self.limits, False
        if beside and self._target.version != "1" and len(part) <= limits.get.room and not limits.lacking:
            # Built for this once: the kept templates are those of the meter's own values.
            answer = await self._ask_briefly(self._build(GET, part))
            self._heard_get = self._heard_get or answer is not None
            if answer is not None and _is_whole(part, answer.response):
                return Got(dict(zip(part, answer.response.varbinds, strict=True)), answer.sent_us, answer.received_us)
            too_big = answer is not None and answer.response.error_status == TOO_BIG
        got = await self.get(names, together)
        return got._replace(too_big=True) if too_big else got

    async def _gather(
        self,
        names: Sequence[bytes],
        together: Sequence[Sequence[bytes]],
        asked: tuple[Part, SnmpAnswer | None] | None = None,
    ) -> Got:
        """``asked`` is a request that was made already, and what it brought."""
        for _ in range(2):
            gathering = Gathering(names, together, self.limits)
            try:
                return await self._gathered(gathering, asked)
            except Restarted:
                asked = None
            finally:
                gathering.finish()
        self.limits.note(Habit.UPTIME_GOES_BACK)
        raise self._malformed(told([Habit.UPTIME_GOES_BACK]))

    async def _gathered(self, gathering: Gathering, asked: tuple[Part, SnmpAnswer | None] | None) -> Got:
        sent_us = received_us = 0
        budget = REQUESTS_MORE + REQUESTS_PER_NAME * gathering.size
        while asked is not None or (part := gathering.part()):
            if asked is not None:
                (part, answer), asked = asked, None
            else:
                budget -= 1
                if budget < 0:
                    raise self._malformed(f"it takes more requests than a read may have; {told(self.limits.lately)}")
                await self._greet_before(part)
                answer = await self._ask_for(part)
            if answer is None:
                await self._unanswered(gathering, part)
                continue
            self._judge(gathering, part, answer.response)
            if answer.response.error_status == 0:
                sent_us = sent_us or answer.sent_us
                received_us = max(received_us, answer.received_us)
        if not gathering.values and gathering.spoilt:
            await self._find_fault(gathering)
        return Got(gathering.values, sent_us, received_us)

    async def _greet_before(self, part: Part) -> None:
        """What an agent that loses answers never answered as a whole may get lost: that must not pass for silence."""
        if not self.answered and Habit.LARGE_ANSWERS_LOST in self.limits.habits and part not in self.limits.whole:
            await self.greet()

    def _judge(self, gathering: Gathering, part: Part, response: Response) -> None:
        """What an answer means for what is still wanted. Raises Restarted."""
        status, index = response.error_status, response.error_index
        missing = status == NO_SUCH_NAME
        if status == 0:
            gathering.answered(part, response.varbinds)
            self.limits.remember_whole(part)
            return
        self._refusal = error_name(status)
        if status == TOO_BIG and len(part) > 1:
            gathering.too_big(part)
        elif status == TOO_BIG:
            self.limits.note(Habit.TOO_BIG_ALONE)
            gathering.refuse(part[0], for_good=True, spoilt=True)
        elif len(part) > 1 and not 1 <= index <= len(part):
            self.limits.note(Habit.NO_ERROR_INDEX)
            gathering.failed(part)
        else:
            if not missing:
                self.limits.note(Habit.REFUSES_OBJECTS)
            gathering.blamed(part, part[0] if len(part) == 1 else part[index - 1], missing=missing)

    async def _unanswered(self, gathering: Gathering, part: Part) -> None:
        """Too large, or with an object that it does not answer about; or it has fallen asleep: then the read ends."""
        if len(part) == 1:
            await self._still_there()
            self.limits.note(Habit.SILENT_ABOUT_OBJECTS)
        gathering.failed(part, lost=True)

    async def _find_fault(self, gathering: Gathering) -> None:
        """Nothing of what was asked for has a value. Raises ReadEnded where not even sysUpTime has one."""
        if SYS_UP_TIME not in gathering.refused:
            response = (await self._still_there()).response
            if _is_whole((SYS_UP_TIME,), response) or response.error_status == NO_SUCH_NAME:
                return
        said = f" ({self._refusal})" if self._refusal else ""
        raise self._malformed(f"{told(self.limits.lately & HIDING)}{said}")

    async def _still_there(self) -> SnmpAnswer:
        """Raises ReadEnded for an agent that does not answer the smallest GET, or none."""
        try:
            answer = await self._ask(self._template((SYS_UP_TIME,)))
        except ReadEnded as ended:
            if ended.reason is SilenceReason.TIMEOUT and self._heard_next and not self._heard_get:
                self.limits.note(Habit.GET_NOT_ANSWERED)
                text = f"{self.responder}: {told([Habit.GET_NOT_ANSWERED])}"
                raise ReadEnded(ended.reason, text, self.responder) from ended
            raise
        self._heard_get = True
        return answer

    async def get_next(self, names: Sequence[bytes]) -> list[Varbind | None]:
        """What follows each name, None where the agent knows nothing further, or won't say."""
        if not self.limits.walkable:
            self.limits.note(Habit.WALK_NOT_ANSWERED)
        stepping = Stepping(names, self.limits)
        while part := stepping.part():
            answer = await self._ask_briefly(self._build(GET_NEXT, part))
            if answer is not None:
                self._heard_next = True
                stepping.answered(answer.response, believed=self._believed)
                # A step that ends all tables at once is doubted once: some agents end all where one ends.
                self._believed = True
                continue
            if len(part) == 1:
                await self._still_there()
            stepping.unanswered(heard=self._heard_next)
        stepping.finish()
        found = [stepping.found.get(name) for name in names]
        self._saw_next = self._saw_next or any(one is not None and not one.absent for one in found)
        return found

    async def doubt_walk(self) -> None:
        """See whether a walk would have shown what is there: every agent has something below the system group."""
        if not self.limits.walkable or not self._heard_next or self._saw_next:
            return
        try:
            (following,) = await self.get_next([SYSTEM_GROUP])
        except ReadEnded:
            return
        if following is None or following.absent or not following.oid.startswith(SYSTEM_GROUP):
            self.limits.note(Habit.WALK_ENDS_TOO_EARLY)

    async def _ask_for(self, part: Part) -> SnmpAnswer | None:
        """None where no answer came that can be read, though smaller ones do: to be asked for in smaller parts.

        So the path's limit is found within one read (large datagrams get lost where fragments do:
        inverse-inc/packetfence#2021).
        """
        if self.answered or len(part) > self.limits.get.works > 0:
            answer = await self._ask_briefly(self._template(part))
        else:
            answer = await self._ask(self._template(part))
        self._heard_get = self._heard_get or answer is not None
        return answer

    async def _ask_briefly(self, request: SnmpRequest) -> SnmpAnswer | None:
        """With so much of the time that enough is left for other ways. None where that brings nothing readable."""
        now_us = self._endpoint.now_us()
        left_us = max(0, self._deadline_us - now_us)
        brief_us = min(left_us, max(left_us // SHARE_OF_TIME, ROUND_TRIPS * self._slowest_us))
        patience = RequestPatience(first_s=brief_us / BRIEF_TRIES / 1_000_000)
        try:
            return await self._ask(request, now_us + brief_us, patience)
        except ReadEnded as ended:
            silent = ended.reason is SilenceReason.TIMEOUT and not ended.responder
            if silent or ended.reason is SilenceReason.MALFORMED:
                return None
            raise

    def _template(self, names: tuple[bytes, ...]) -> SnmpRequest:
        known = self.limits.template(names)
        if known is None:
            known = self._build(GET, names)
            self.limits.keep_template(known)
        return known

    def _build(self, pdu_tag: int, names: Sequence[bytes]) -> SnmpRequest:
        if self._session is not None:
            return self._session.request(pdu_tag, names)
        if self._target.version == "3":
            raise RuntimeError("SNMPv3 needs a session")
        return template(self._target.version, self._target.community, pdu_tag, names)

    async def _ask(
        self, request: SnmpRequest, deadline_us: int | None = None, patience: RequestPatience | None = None
    ) -> SnmpAnswer:
        if self._session is None:
            return await self._sent(request, deadline_us, patience)
        return await self._ask_as(self._session, request, deadline_us, patience)

    async def _ask_as(
        self, session: Session3, request: SnmpRequest, deadline_us: int | None, patience: RequestPatience | None
    ) -> SnmpAnswer:
        """For SNMPv3: whose engine it is comes first, and its clock may have to be learnt again."""
        if session.engine is None:
            await self._meet(session)
        answer = await self._sent(request, deadline_us, patience)
        if answer.report is not None:
            take_report(session, answer.report, self.responder, self._endpoint.stats)
            answer = await self._sent(request, deadline_us, patience)
        if answer.report is not None:
            raise self._not_admitted(answer.report)
        return answer

    async def _meet(self, session: Session3) -> None:
        """Learn whose engine it is (RFC 3414 section 4); the answer is unsigned, so nothing else rests on it."""
        report = (await self._sent(session.discovery())).report
        if report is None:
            raise self._malformed("an answer where a report of the engine's id belongs")
        if report.counter != UNKNOWN_ENGINE or not report.engine_id:
            raise self._not_admitted(report)
        session.meet(report)

    def _not_admitted(self, report: Report) -> ReadEnded:
        return ReadEnded(SilenceReason.NOT_ADMITTED, f"{self.responder}: {hint(report)}", self.responder)

    async def _sent(
        self, request: SnmpRequest, deadline_us: int | None = None, patience: RequestPatience | None = None
    ) -> SnmpAnswer:
        heard, self._heard = self._heard, None
        if heard is not None and heard.request is request:
            result = heard.result
        else:
            result = await self._endpoint.ask(
                self._address,
                request,
                self._deadline_us if deadline_us is None else deadline_us,
                patience or self._patience,
                lane=self._lane,
                leave=self._leave,
                on_sent=self._on_sent,
            )
        self._on_sent = None
        if isinstance(result, SnmpAnswer):
            self.answered = True
            self._slowest_us = max(self._slowest_us, result.received_us - result.sent_us)
            return result
        raise ReadEnded(result.reason, result.detail, result.responder)

    def _malformed(self, detail: str) -> ReadEnded:
        return ReadEnded(SilenceReason.MALFORMED, f"{self.responder}: {detail}", self.responder)


def _is_whole(part: Part, response: Response) -> bool:
    if response.error_status or len(response.varbinds) != len(part):
        return False
    return [varbind.oid for varbind in response.varbinds] == list(part)


def _lacks_uptime(response: Response) -> bool:
    if response.error_status:
        return response.error_status == NO_SUCH_NAME
    return any(varbind.oid == SYS_UP_TIME and varbind.absent for varbind in response.varbinds)
