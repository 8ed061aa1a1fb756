"""What is remembered of one printer's jobs between its reads, and what came of them with the last one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.meters.jobs.looking import look_at_jobs, survey_jobs
from pagereeve.meters.jobs.table import LOST_MAX, JobTable
from pagereeve.meters.snmp.ber import Varbind
from pagereeve.meters.snmp.conversation import Conversation, Got
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.ports.jobs import JobsLook

# After a sign of restart an agent is looked over again, but no more often than this.
SURVEY_EVERY_US: Final = 600 * SECOND_US
# A search that failed is repeated sooner, each time after twice as long: one lost datagram costs no ten minutes.
SURVEY_AGAIN_US: Final = 15 * SECOND_US


@dataclass(slots=True)
class JobRows:
    """``table`` is None while nothing is known of one. ``_of`` are the pins with which it was looked for in vain."""

    table: JobTable | None = None
    _of: object = None
    _pins: object = None
    _surveyed_us: int | None = None
    _wait_us: int = SURVEY_EVERY_US
    _failures: int = 0
    _brought: Got | None = None

    def beside(self) -> tuple[bytes, ...]:
        """What is asked for together with the meter's own values."""
        self._brought = None
        return () if self.table is None else self.table.beside()

    def parted(self, got: Got, names: tuple[bytes, ...]) -> Got:
        """The meter's own values; the others are kept for the next look."""
        if self.table is None or self.table.apart:
            return got
        own = {name: got.values[name] for name in names if name in got.values}
        others: dict[bytes, Varbind] = {name: value for name, value in got.values.items() if name not in own}
        others.pop(SYS_UP_TIME, None)
        if others:
            self._brought = Got(others, got.sent_us, got.received_us)
            self.table.lost = 0
        else:
            # They did not come. They are asked for by themselves, and from now on where the agent itself said why.
            self.table.lost = LOST_MAX if got.too_big else self.table.lost + 1
        if SYS_UP_TIME in got.values:
            own[SYS_UP_TIME] = got.values[SYS_UP_TIME]
        return Got(own, got.sent_us, got.received_us)

    def is_due(self, pins: object, now_us: int) -> bool:
        """Whether there is anything to ask: a table, or one that may be there and was not looked for."""
        self._pins = pins
        waited = self._surveyed_us is None or now_us - self._surveyed_us >= self._wait_us
        return self.table is not None or (waited and pins is not self._of)

    async def look(
        self, conversation: Conversation, now_us: int, *, busy: bool, names: Sequence[str] = ()
    ) -> JobsLook | None:
        """Raises ReadEnded, DecodeError."""
        brought, self._brought = self._brought, None
        if self.table is None:
            self._surveyed_us = now_us
            self._wait_us = min(SURVEY_AGAIN_US << min(self._failures, 10), SURVEY_EVERY_US)
            self._failures += 1
            self.table = await survey_jobs(conversation)
            self._of, self._wait_us, self._failures = self._pins, SURVEY_EVERY_US, 0
            return None
        return await look_at_jobs(self.table, conversation, brought, busy=busy, names=names)
