"""What a person sets for a printer: a fact with a date, so that an old day is judged by its own rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.instants import SECOND_US

Charging = Literal["lesser", "counted", "released", "none"]
BlankBacks = Literal["unknown", "counted", "not-counted"]


@dataclass(frozen=True, slots=True)
class Policy:
    """The rules of one printer. Every default is argued in DEVELOPERS.md, "Policy".

    settle_us            how long the count must stand still before a window may close
    settle_longest_us    the longest settle time that may be learnt
    floor_us             no engine lands its first sheet sooner after a release's start
    unmoved_us           how long a window waits for a count that has not moved at all
    longest_us           the longest a window stays open
    longest_stalled_us   the same while the printer is stopped by an error
    fresh_us             an opening or closing cut further away than this makes a bracket ``wide``
    tolerance_permille   share of the expected count that may be missing or too much
    tolerance_pages      fixed part of the same, in the channel's unit
    speed_per_minute     the fastest the meter can step; faster is a jump
    fall_back            the most pages a count may lose at a power cut (its saving granularity)
    modulus              where the meter wraps to 0, if not at 2^32 or where its profile says
    charging             ``lesser`` of counted and released, or another of the four
    blank_backs          whether the meter counts the blank back of an odd two-sided copy (calibration)
    separator_sheets     banner sheets of each job where the ticket does not say; None is unknown (0 to 2)
    badge_within_us      a release with no badge this long before it is a finding; 0 turns it off
    """

    settle_us: int = 10 * SECOND_US
    floor_us: int = 1 * SECOND_US
    unmoved_us: int = 120 * SECOND_US
    longest_us: int = 4 * 3600 * SECOND_US
    longest_stalled_us: int = 72 * 3600 * SECOND_US
    fresh_us: int = 60 * SECOND_US
    tolerance_permille: int = 0
    tolerance_pages: int = 0
    speed_per_minute: int = 200
    fall_back: int = 10
    modulus: int = 2**32
    charging: Charging = "lesser"
    blank_backs: BlankBacks = "unknown"
    separator_sheets: int | None = 0
    badge_within_us: int = 0
    settle_longest_us: int = 120 * SECOND_US
