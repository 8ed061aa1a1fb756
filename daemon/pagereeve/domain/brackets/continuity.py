"""May two neighbouring readings be subtracted from one another? (domain/README.md, step 1)

How counts fall, wrap and change hands: HP-LASERJET-COMMON-MIB (prtMarkerLifeCount), home-assistant/core#182493,
0xAHA/Growatt_ModbusTCP#417, fusioninventory/fusioninventory-for-glpi#1186 and #492.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from enum import StrEnum

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import COUNTER32_MODULUS, Count, Plateau, Unit, UnitGrade
from pagereeve.domain.values.records import dataclass

TICKS_MODULUS = 2**32
# Agents' clocks drift, and a read takes time: the larger of 5 s and 1 % is our choice.
UPTIME_SLACK_CS = 500
# Pages that may surface at once without any time having passed: counters that step by the job.
JUMP_SLACK = 50
# A wrap is believed only this near the top (as utilities judge a rollover: common practice, no source; the figure is
# our choice), however long the meter was not read.
WRAP_NEAR = 5_000


class Step(StrEnum):
    """How a reading follows the one before it. The first three carry a run on; all others end it."""

    SAME = "same"
    MOVED = "moved"
    WRAPPED = "wrapped"
    REPLACED = "replaced"
    UNIT_CHANGED = "unit-changed"
    OBJECT_CHANGED = "object-changed"
    FELL_BACK = "fell-back"
    RESET = "reset"
    WENT_BACK = "went-back"
    JUMPED = "jumped"
    DAMAGED = "damaged"


@dataclass(frozen=True, slots=True)
class Pace:
    """What a counter can have done between two readings: the most that it can have stepped, and whether a restart may
    have made it fall.
    """

    most: int
    restart: bool


StepOf = Callable[[str, Count, Count, Pace], Step]
CARRIES_ON = frozenset({Step.SAME, Step.MOVED, Step.WRAPPED})
# One such reading alone proves nothing, whatever else is odd in it: a false zero, a torn register, another device that
# answered once. It waits for a second witness.
NEEDS_WITNESS = frozenset({Step.REPLACED, Step.FELL_BACK, Step.RESET, Step.WENT_BACK, Step.JUMPED})
OTHER_COUNTER = frozenset({Step.UNIT_CHANGED, Step.OBJECT_CHANGED})
_WORST_LAST = tuple(Step)


@dataclass(frozen=True, slots=True)
class Identity:
    """What a run's readings said of themselves so far; empty proves nothing and contradicts nothing."""

    serial: str = ""
    object_id: str = ""

    def joined(self, plateau: Plateau) -> Identity:
        serial, object_id = plateau.sight.serial or self.serial, plateau.sight.object_id or self.object_id
        if serial == self.serial and object_id == self.object_id:
            return self
        return Identity(serial, object_id)

    def contradicts(self, plateau: Plateau) -> bool:
        theirs = plateau.sight
        if theirs.serial == self.serial and theirs.object_id == self.object_id:
            return False
        return _differ(self.serial, theirs.serial) or _differ(self.object_id, theirs.object_id)

    def is_written_otherwise(self, plateau: Plateau) -> bool:
        """The serial number differs in case, blanks or leading zeros alone: firmware writes it anew."""
        theirs = plateau.sight
        if not self.serial or not theirs.serial or (theirs.object_id or self.object_id) != self.object_id:
            return False
        return _bare(self.serial) == _bare(theirs.serial)


def _differ(mine: str, theirs: str) -> bool:
    return bool(mine and theirs and mine != theirs)


def _bare(serial: str) -> str:
    return "".join(serial.split()).casefold().lstrip("0")


def clock_goes_on(before: Plateau, after: Plateau) -> bool | None:
    """Whether the agent's clock moved on as ours did, on the modulo circle; None where either is not known."""
    if before.last_uptime_cs is None or after.first_uptime_cs is None:
        return None
    elapsed_us = after.first_received_us - before.last_received_us
    elapsed_cs = elapsed_us // 10_000 if elapsed_us > 0 else 0
    ahead_cs = (after.first_uptime_cs - before.last_uptime_cs - elapsed_cs) % TICKS_MODULUS
    slack_cs = _slack_cs(elapsed_cs)
    return ahead_cs <= slack_cs or TICKS_MODULUS - ahead_cs <= slack_cs


def clock_stands_alone(before: Plateau, after: Plateau) -> bool:
    """A single answer shows a clock that did not go on from the one before: the next one tells which of them is odd."""
    return after.count == 1 and clock_goes_on(before, after) is False


def _slack_cs(elapsed_cs: int) -> int:
    slack_cs = elapsed_cs // 100
    return max(UPTIME_SLACK_CS, slack_cs)


def was_off(before: Plateau, after: Plateau) -> bool:
    """The count since power-on fell (RFC 3805 section 6, prtMarkerPowerOnCount): the printer itself was off."""
    now, last = after.first_power_on, before.last_power_on
    return now is not None and last is not None and now < last


def restarted(before: Plateau, after: Plateau) -> bool:
    """A sign that the printer or its agent restarted in between.

    Uptime is compared on the modulo circle: it wraps after 497 days (RFC 2578 section 7.1.8), and a sleeper's clock
    may not move. A power-on count that fell says the same (RFC 3805 section 6, prtMarkerPowerOnCount).
    """
    if was_off(before, after):
        return True
    if clock_goes_on(before, after) is not False or after.first_uptime_cs is None:
        return False
    elapsed_cs = max(0, after.first_received_us - before.last_received_us) // 10_000
    return after.first_uptime_cs <= elapsed_cs + _slack_cs(elapsed_cs)


def restart_is_confirmed(before: Plateau, odd: Plateau, after: Plateau) -> bool:
    """The restart that a single answer showed shows in the next one too: its clock goes on from there."""
    return restarted(before, odd) and restarted(before, after) and not restarted(odd, after)


def most_pages(before: Plateau, after: Plateau, policy: Policy) -> int:
    """The most the meter can have stepped since the current value was first seen."""
    elapsed_us = after.first_received_us - before.first_sent_us
    return policy.speed_per_minute * elapsed_us // 60_000_000 + JUMP_SLACK if elapsed_us > 0 else JUMP_SLACK


def step_between(
    before: Plateau,
    counts: Mapping[str, Count],
    identity: Identity,
    after: Plateau,
    policy: Policy,
    deciding: Collection[str] | None = None,
    step_of: StepOf | None = None,
    pace: Pace | None = None,
) -> Step:
    """The worst that any common channel says; identity comes first, then the unit.

    ``counts`` are the run's last known ones: a channel may have been missing from ``before`` itself. Where channels are
    named that are ``deciding``, the others say nothing of the run. ``step_of`` says how a channel's count follows its
    last one, where its value alone does not. ``pace`` is that between the two, where it is known already.
    """
    if identity.contradicts(after) and not (identity.is_written_otherwise(after) and _stands_at(counts, after)):
        return Step.REPLACED
    pace = pace or pace_between(before, after, policy)
    worst = Step.SAME
    for channel in counts if deciding is None else deciding:
        old, new = counts.get(channel), after.sight.count(channel)
        if old is None or new is None:
            continue
        step = counter_step(old, new, pace, policy) if step_of is None else step_of(channel, old, new, pace)
        if step in OTHER_COUNTER:
            return step
        if step is not worst:
            worst = worst_of((worst, step))
    return worst


def is_other_unit(old: Count, new: Count) -> bool:
    return new.unit is not old.unit and _is_word(new) and _is_word(old)


def _is_word(count: Count) -> bool:
    """Somebody's word for the unit: what is found out of it, or is not known any more, is no change of the counter."""
    return count.unit is not Unit.UNKNOWN and count.grade in {UnitGrade.PROVEN, UnitGrade.SAID}


def pace_between(before: Plateau, after: Plateau, policy: Policy) -> Pace:
    return Pace(most_pages(before, after, policy), restarted(before, after))


def counter_step(old: Count, new: Count, pace: Pace, policy: Policy) -> Step:
    """How a counter's value follows its own last one."""
    if new.object != old.object and new.object and old.object:
        return Step.OBJECT_CHANGED
    if new.unit is not old.unit and is_other_unit(old, new):
        return Step.UNIT_CHANGED
    return _step(old, new.value, pace.most, restart=pace.restart, policy=policy)


def _stands_at(counts: Mapping[str, Count], after: Plateau) -> bool:
    """Every count that both know is where it was: another device would have to show the very same."""
    known = [(old, new) for channel, old in counts.items() if (new := after.sight.count(channel)) is not None]
    return bool(known) and all(new.value == old.value for old, new in known)


def worst_of(steps: Iterable[Step]) -> Step:
    return max(steps, key=_WORST_LAST.index, default=Step.SAME)


def modulus_of(count: Count, policy: Policy) -> int:
    """Where the counter wraps: what a person set, or else what its profile says."""
    return policy.modulus if policy.modulus != COUNTER32_MODULUS else count.modulus


def _step(before: Count, new: int, bound: int, *, restart: bool, policy: Policy) -> Step:
    old = before.value
    if new == old:
        return Step.SAME
    if new > old:
        return Step.MOVED if new - old <= bound else Step.JUMPED
    modulus = modulus_of(before, policy)
    if new < modulus > old and new + modulus - old <= min(bound, WRAP_NEAR):
        return Step.WRAPPED
    if restart:
        return Step.FELL_BACK if old - new <= policy.fall_back else Step.RESET
    return Step.WENT_BACK


def pages_between(before: Count, new: int, policy: Policy) -> int:
    """Pages counted from ``before`` to ``new`` of one run; a lower value is a wrap (RFC 2578 section 7.1.6)."""
    return new - before.value if new >= before.value else new + modulus_of(before, policy) - before.value
