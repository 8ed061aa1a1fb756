"""The meter over IPP: a printer's own counters (PWG 5100.22), where its entry chooses them over SNMP's."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.meters.ipp.counters import NUMBERS, TEXTS, Shown, shown_in
from pagereeve.meters.ipp.ended import IppEnded
from pagereeve.meters.ipp.message import answer_of, printer_question
from pagereeve.meters.ipp.peer import IppPeer
from pagereeve.meters.ipp.transport import IppTransport
from pagereeve.ports.clock import Clock
from pagereeve.ports.meter import MeterTarget

TIMEOUT_MAX_S: Final = 600.0
# A step of a connection gets a little less than the whole, so that what is told says which one went unanswered.
STEP_SHARE: Final = 0.9

Note = Callable[[str, str], None]


@dataclass(slots=True)
class _Known:
    """What is remembered of one printer between reads; ``billed`` is the channel that it was last counted by."""

    peer: IppPeer
    billed: str = ""
    answered: bool = False
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)


class IppMeter:
    """Implements ports.meter.Meter. ``note`` hears what is new of a printer."""

    def __init__(self, clock: Clock, transport: IppTransport, note: Note | None = None) -> None:
        self._clock = clock
        self._transport = transport
        self._note = note
        self._printers: dict[str, _Known] = {}

    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        """One reading within ``timeout_s`` (seconds, waiting for an earlier read included), or why there is none."""
        known = self._printers.get(target.printer)
        if known is None or known.peer.target != target:
            known = self._printers[target.printer] = _Known(IppPeer(target))
        result, _ = await self._within(known, timeout_s)
        if known.peer.note and self._note is not None:
            self._note(target.printer, known.peer.note)
        known.peer.note = ""
        return result

    async def look_over(self, target: MeterTarget, timeout_s: float) -> tuple[Reading | Failure, Shown | None, IppPeer]:
        """The same from scratch, with all that was shown: what is remembered plays no part."""
        known = _Known(IppPeer(target))
        result, shown = await self._within(known, timeout_s)
        return result, shown, known.peer

    def forget(self, printer: str) -> None:
        self._printers.pop(printer, None)

    async def _within(self, known: _Known, timeout_s: float) -> tuple[Reading | Failure, Shown | None]:
        sent_us = self._clock.now_us()
        limit_s = min(timeout_s, TIMEOUT_MAX_S)
        shown = None
        try:
            async with asyncio.timeout(limit_s), known.turn:
                sent_us = self._clock.now_us()
                shown = await self._asked(known.peer, limit_s * STEP_SHARE)
                received_us = max(sent_us, self._clock.now_us())
                return _reading(known, shown, sent_us, received_us), shown
        except TimeoutError:
            ended = IppEnded(SilenceReason.TIMEOUT, f"no answer from {known.peer.place or 'its IPP'} in time")
        except IppEnded as error:
            ended = error
        reason = ended.reason
        if reason is SilenceReason.TIMEOUT and known.answered:
            reason = SilenceReason.ASLEEP
        received_us = max(sent_us, self._clock.now_us())
        return Failure(sent_us, received_us, reason, str(ended), _responder(known.peer)), shown

    async def _asked(self, peer: IppPeer, wait_s: float) -> Shown:
        names = (*NUMBERS, *TEXTS)
        decode = partial(answer_of, names=NUMBERS, texts=TEXTS)
        return shown_in(await peer.ask(self._transport, partial(printer_question, names=names), decode, wait_s))


def _reading(known: _Known, shown: Shown, sent_us: int, received_us: int) -> Reading:
    """Raises IppEnded where no count can be compared with pages, or another printer answered."""
    target, place = known.peer.target, known.peer.place
    known.answered = True
    if shown.is_another(target.serial):
        text = f"{place} is another device: its serial number is {shown.serial}, not {target.serial}"
        raise IppEnded(SilenceReason.WRONG_DEVICE, text)
    billed = shown.billed
    if billed is None:
        text = f"{place} says nothing of printer-impressions-completed and printer-media-sheets-completed"
        raise IppEnded(SilenceReason.ASLEEP if known.billed else SilenceReason.NO_METER, text)
    if known.billed and billed.channel != known.billed:
        # Sheets are no substitute for impressions that are not said just now: that would be another meter.
        raise IppEnded(SilenceReason.ASLEEP, f"{place} does not say just now what it is counted by: {known.billed}")
    known.billed = billed.channel
    return Reading(sent_us, received_us, shown.sight(billed, target, _responder(known.peer)), shown.uptime_cs)


def _responder(peer: IppPeer) -> str:
    return f"{peer.scheme}://{peer.place}" if peer.place else ""
