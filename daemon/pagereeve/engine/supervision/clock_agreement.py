"""Is the clock right with which a boot begins, and who else says what time it is? Pure: figures in, a judgement out."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from itertools import product
from typing import Final

from pagereeve.domain.brackets.continuity import TICKS_MODULUS
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.facts.source_clock import FUTURE_MAX_US, PLAUSIBLE_FROM_US
from pagereeve.domain.values.instants import SECOND_US

# A daemon that was off for longer, or a clock that is wrong: only somebody else can tell. Behind the newest fact, a
# clock is wrong, or was wrong then.
AHEAD_MAX_US: Final = 86_400 * SECOND_US
BEHIND_MAX_US: Final = 2 * SECOND_US
# Two that differ by no more than this say the same, as a notice under way does (domain/facts/source_clock.py).
NEAR_US: Final = FUTURE_MAX_US
# What an agent's own clock may be off by over a long time (our choice; a crystal's drift is a tenth of it).
UPTIME_DRIFT: Final = 1_000
SOURCES_NEEDED: Final = 2
# Names of sources come from outside.
WITNESSES_MAX: Final = 256


def begins_agreed(wall_us: int, newest_us: int, *, synchronised: bool) -> bool:
    """May a boot take the wall clock for true? ``newest_us``: the newest fact's instant, 0 where there is none."""
    if wall_us < max(newest_us - BEHIND_MAX_US, PLAUSIBLE_FROM_US):
        return False
    return not newest_us or wall_us <= newest_us + AHEAD_MAX_US or synchronised


@dataclass(frozen=True, slots=True)
class LastSeen:
    """What a printer's meter showed last before this boot, and when."""

    at_us: int
    uptime_cs: int


@dataclass(slots=True)
class Witnesses:
    """How far the true time is ahead of our dates, as each says. A sender's claims bound it from below, as notices take
    time: its largest counts.
    """

    senders: OrderedDict[str, int] = field(default_factory=OrderedDict)
    printers: dict[str, tuple[int, int]] = field(default_factory=dict)

    def claim(self, source: str, occurred_us: int, received_us: int) -> None:
        if occurred_us < PLAUSIBLE_FROM_US:
            return
        ahead_us = occurred_us - received_us
        self.senders[source] = max(ahead_us, self.senders.get(source, ahead_us))
        self.senders.move_to_end(source)
        if len(self.senders) > WITNESSES_MAX:
            self.senders.popitem(last=False)

    def uptime(self, printer: str, before: LastSeen, reading: Reading) -> None:
        """A printer that did not restart counted the time since it was last seen. Of one that did, this is far off."""
        if reading.uptime_cs is not None:
            passed_us = (reading.uptime_cs - before.uptime_cs) % TICKS_MODULUS * 10_000
            near_us = NEAR_US + passed_us // UPTIME_DRIFT
            self.printers[printer] = (before.at_us + passed_us - reading.received_us, near_us)

    def forget(self) -> None:
        self.senders.clear()
        self.printers.clear()

    def agree_with(self, ahead_us: int) -> bool:
        """Two say that the wall clock, so far ahead of our dates, is right, and nobody that our dates are."""
        speak = sum(abs(one - ahead_us) <= min(NEAR_US, abs(one)) for one in self.senders.values())
        speak += sum(abs(one - ahead_us) <= near_us for one, near_us in self.printers.values())
        return speak >= SOURCES_NEEDED and not self.deny(ahead_us)

    def deny(self, ahead_us: int) -> bool:
        """A sender's time goes with our dates, and not with the wall clock."""
        return any(abs(one) <= min(NEAR_US, abs(one - ahead_us)) for one in self.senders.values())

    def agreed_us(self) -> int | None:
        """Without the wall clock: what a sender's clock and a printer's uptime say alike.

        The later of both: a notice may have been long under way, and then its claim is early.
        """
        pairs = product(self.senders.values(), self.printers.values())
        return max((max(sent, up) for sent, (up, near_us) in pairs if abs(sent - up) <= near_us), default=None)
