"""Questions of one read to one agent, with the detours that agents ask for: v1's error-index, tooBig, walks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.snmp.address import AgentAddress, key_label
from pagereeve.meters.snmp.ber import Varbind, number, oid_label
from pagereeve.meters.snmp.endpoint import Endpoint
from pagereeve.meters.snmp.message import GET, GET_NEXT, NO_SUCH_NAME, TOO_BIG, Response, error_name, template
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.question import STRICT, Leave, ReadEnded, RequestPatience, SnmpAnswer, SnmpRequest
from pagereeve.meters.snmp.reports import take_report
from pagereeve.meters.snmp.session3 import UNKNOWN_ENGINE, Report, Session3, hint
from pagereeve.ports.meter import MeterTarget

# So many values fit into a datagram that no path cuts (1,200 bytes), serial number and long texts included.
NAMES_MAX = 24
# Where large answers get lost, this few values are still asked for at once.
NAMES_LEAST = 4
TEMPLATES_MAX = 8


@dataclass(slots=True)
class AgentLimits:
    """What one agent was found to put up with, remembered from read to read.

    ``names_max`` is how many names it takes at once, ``lacking`` the names that it refuses whole requests for.
    """

    names_max: int = NAMES_MAX
    lacking: set[bytes] = field(default_factory=set)
    templates: dict[tuple[bytes, ...], SnmpRequest] = field(default_factory=dict)


class Got(NamedTuple):
    """Values by name, true at some instant in [sent_us, received_us]. A name may be missing or absent."""

    values: dict[bytes, Varbind]
    sent_us: int
    received_us: int


class Conversation:
    """All requests of one read share its deadline. Raises ReadEnded, and DecodeError for a value of a wrong type.

    ``answered``: whether the agent has answered any of them so far. ``limits`` may be changed between two of them.
    ``fits`` is how many names at once still brought an answer, where more did not.
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
    ) -> None:
        self.responder = key_label(address.key)
        self._endpoint = endpoint
        self._address = address
        self._target = target
        self._deadline_us = deadline_us
        self._patience = patience
        self.limits = limits
        self._lane = lane
        self._leave = Leave(target.answers_from, target.any_port) if target.answers_from or target.any_port else STRICT
        self._on_sent = on_sent
        self._session = session
        self.answered = False
        self.fits = NAMES_MAX

    async def greet(self) -> None:
        """One small question: large answers that get lost are then told from silence."""
        await self._ask(self._template((SYS_UP_TIME,)))

    async def get(self, names: Sequence[bytes]) -> Got:
        """The named instances, in one request if the agent allows, else in as few as it takes.

        Each further request carries sysUpTime again, so that a restart between two of them shows.
        """
        lacking = self.limits.lacking
        wanted = tuple([name for name in names if name not in lacking] if lacking else names)
        values: dict[bytes, Varbind] = {}
        sent_us = received_us = 0
        while wanted:
            part = self._part(wanted, values)
            answer = await self._ask_for(part)
            if answer is None:
                continue
            response = answer.response
            if response.error_status == 0:
                self._take(part, response, values)
                wanted = () if part is wanted else tuple(name for name in wanted if name not in values)
                sent_us = sent_us or answer.sent_us
                received_us = max(received_us, answer.received_us)
            elif response.error_status == TOO_BIG:
                self._shrink(part)
            else:
                refused = self._refused(part, response)
                wanted = tuple(name for name in wanted if name != refused)
        return Got(values, sent_us, received_us)

    async def get_beside(self, names: Sequence[bytes], beside: Sequence[bytes]) -> Got:
        """As ``get``, with the values of ``beside`` where the agent gives all in one answer.

        Where that is too big, refused, or lost, ``names`` alone are asked for at once, as if nobody had wanted more.
        """
        part = (*names, *beside)
        if beside and self._target.version != "1" and len(part) <= self.limits.names_max and not self.limits.lacking:
            try:
                answer = await self._ask(self._template(part), self._endpoint.half_way_us(self._deadline_us))
            except ReadEnded as ended:
                if ended.reason is not SilenceReason.TIMEOUT or ended.responder:
                    raise
            else:
                if answer.response.error_status == 0:
                    values: dict[bytes, Varbind] = {}
                    self._take(part, answer.response, values)
                    return Got(values, answer.sent_us, answer.received_us)
        return await self.get(names)

    async def get_next(self, names: Sequence[bytes]) -> list[Varbind | None]:
        """What follows each name, None where the agent knows nothing further."""
        response = (await self._ask(self._build(GET_NEXT, names))).response
        if response.error_status == 0:
            if len(response.varbinds) != len(names):
                raise self._malformed(f"{len(response.varbinds)} values to a request for {len(names)}")
            return list(response.varbinds)
        if response.error_status == TOO_BIG:
            self._shrink(names)
            half = len(names) // 2
            return [*await self.get_next(names[:half]), *await self.get_next(names[half:])]
        index = response.error_index
        if not 1 <= index <= len(names):
            raise self._malformed(f"{error_name(response.error_status)} with error-index {index} of {len(names)}")
        rest = [name for position, name in enumerate(names, 1) if position != index]
        found: list[Varbind | None] = [*await self.get_next(rest)] if rest else []
        return [*found[: index - 1], None, *found[index - 1 :]]

    async def _ask_for(self, part: tuple[bytes, ...]) -> SnmpAnswer | None:
        """None where the answer was lost, though smaller ones come: half as much is to be asked for.

        So the path's limit is found within one read, each size having half of the time left (large datagrams get lost
        where fragments do: inverse-inc/packetfence#2021).
        """
        request = self._template(part)
        if not self.answered or len(part) <= NAMES_LEAST:
            return await self._ask(request)
        try:
            return await self._ask(request, self._endpoint.half_way_us(self._deadline_us))
        except ReadEnded as ended:
            if ended.reason is not SilenceReason.TIMEOUT or ended.responder:
                raise
        self.fits = self.limits.names_max = max(NAMES_LEAST, len(part) // 2)
        return None

    def _part(self, wanted: tuple[bytes, ...], values: dict[bytes, Varbind]) -> tuple[bytes, ...]:
        room = self.limits.names_max
        if SYS_UP_TIME in values and room > 1:
            return (SYS_UP_TIME, *wanted[: room - 1])
        return wanted[:room]

    def _take(self, part: tuple[bytes, ...], response: Response, values: dict[bytes, Varbind]) -> None:
        if len(response.varbinds) != len(part):
            raise self._malformed(f"{len(response.varbinds)} values to a request for {len(part)}")
        for name, varbind in zip(part, response.varbinds, strict=True):
            if varbind.oid != name:
                raise self._malformed(f"{oid_label(varbind.oid)} answers a request for {oid_label(name)}")
            before = values.get(name)
            if before is not None and not before.absent and not varbind.absent and number(varbind) < number(before):
                raise self._malformed("the agent restarted between two parts of one read")
            values[name] = varbind

    def _shrink(self, part: Sequence[bytes]) -> None:
        if len(part) == 1:
            raise self._malformed(f"tooBig, even for {oid_label(part[0])} alone")
        self.limits.names_max = len(part) // 2

    def _refused(self, part: tuple[bytes, ...], response: Response) -> bytes:
        """The name for whose sake the agent refuses the whole request (RFC 1157 section 4.1.2)."""
        if not 1 <= response.error_index <= len(part):
            raise self._malformed(
                f"{error_name(response.error_status)} with error-index {response.error_index} of {len(part)}"
            )
        name = part[response.error_index - 1]
        if response.error_status == NO_SUCH_NAME:
            self.limits.lacking.add(name)
        return name

    def _template(self, names: tuple[bytes, ...]) -> SnmpRequest:
        known = self.limits.templates.get(names)
        if known is None:
            if len(self.limits.templates) >= TEMPLATES_MAX:
                self.limits.templates.clear()
            known = self.limits.templates[names] = self._build(GET, names)
        return known

    def _build(self, pdu_tag: int, names: Sequence[bytes]) -> SnmpRequest:
        if self._session is not None:
            return self._session.request(pdu_tag, names)
        if self._target.version == "3":
            raise RuntimeError("SNMPv3 needs a session")
        return template(self._target.version, self._target.community, pdu_tag, names)

    async def _ask(self, request: SnmpRequest, deadline_us: int | None = None) -> SnmpAnswer:
        if self._session is None:
            return await self._sent(request, deadline_us)
        return await self._ask_as(self._session, request, deadline_us)

    async def _ask_as(self, session: Session3, request: SnmpRequest, deadline_us: int | None) -> SnmpAnswer:
        """For SNMPv3: whose engine it is comes first, and its clock may have to be learnt again."""
        if session.engine is None:
            await self._meet(session)
        answer = await self._sent(request, deadline_us)
        if answer.report is not None:
            take_report(session, answer.report, self.responder, self._endpoint.stats)
            answer = await self._sent(request, deadline_us)
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

    async def _sent(self, request: SnmpRequest, deadline_us: int | None = None) -> SnmpAnswer:
        result = await self._endpoint.ask(
            self._address,
            request,
            self._deadline_us if deadline_us is None else deadline_us,
            self._patience,
            lane=self._lane,
            leave=self._leave,
            on_sent=self._on_sent,
        )
        self._on_sent = None
        if isinstance(result, SnmpAnswer):
            self.answered = True
            return result
        raise ReadEnded(result.reason, result.detail, result.responder)

    def _malformed(self, detail: str) -> ReadEnded:
        return ReadEnded(SilenceReason.MALFORMED, f"{self.responder}: {detail}", self.responder)
