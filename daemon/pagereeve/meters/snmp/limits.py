"""What one agent was found to put up with, remembered from read to read, and doubted after an hour."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.meters.snmp.habits import Habit
from pagereeve.meters.snmp.question import SnmpRequest

# So many values fit into a datagram that no path cuts (1,200 bytes), serial number and long texts included.
NAMES_MAX: Final = 24
TEMPLATES_MAX: Final = 8
# What failed is tried once more after so long: a path heals, and a lost datagram must not cost requests for good.
DOUBT_AFTER_US: Final = 3_600_000_000
# Most agents have none of these, and there are thousands: the empty ones are all one object.
NO_NAMES: Final[frozenset[bytes]] = frozenset()
NO_HABITS: Final[frozenset[Habit]] = frozenset()


@dataclass(slots=True)
class Sizes:
    """How many names an agent takes at once: ``works`` is the most that brought all answers, ``fails`` the fewest that
    did not. ``room`` closes in on the largest size that works.
    """

    works: int = 0
    fails: int = NAMES_MAX + 1

    @property
    def room(self) -> int:
        return NAMES_MAX if self.fails > NAMES_MAX else max(1, (self.works + self.fails) // 2)

    def worked(self, size: int) -> None:
        # Answers differ in length: what failed once is not believed for one that is shorter.
        self.works = max(self.works, min(size, self.fails - 1))

    def failed(self, size: int, proven: int) -> None:
        """``proven`` is what worked just now: what worked long ago says nothing any more where less fails."""
        self.fails = max(1, min(self.fails, size))
        if self.works >= self.fails:
            self.works = min(proven, self.fails - 1)


@dataclass(slots=True)
class AgentLimits:
    """``lacking`` are names that whole requests are refused or lost for; ``walkable`` whether it answers GETNEXT;
    ``index_right`` whether its error-index names the right object, None as long as nobody has tried; ``whole`` are the
    last requests that it answered. ``lately`` are the habits seen since the read began. ``templates`` and ``whole`` are
    few, of most agents one or two: to look through them costs less than to hold tables of them.
    """

    get: Sizes = field(default_factory=Sizes)
    walk: Sizes = field(default_factory=Sizes)
    walkable: bool = True
    index_right: bool | None = None
    lacking: frozenset[bytes] = NO_NAMES
    refused: frozenset[bytes] = NO_NAMES
    habits: frozenset[Habit] = NO_HABITS
    lately: frozenset[Habit] = NO_HABITS
    templates: tuple[SnmpRequest, ...] = ()
    whole: tuple[tuple[bytes, ...], ...] = ()
    learnt_us: int | None = None

    def doubt(self, now_us: int) -> None:
        """Forget what failed, an hour after it was first learnt (monotonic)."""
        if not self.habits and not self.lacking:
            return
        if self.learnt_us is None:
            self.learnt_us = now_us
        elif now_us - self.learnt_us > DOUBT_AFTER_US:
            self.learnt_us, self.walkable, self.index_right = None, True, None
            self.get.fails = self.walk.fails = NAMES_MAX + 1
            self.lacking = self.refused = NO_NAMES
            self.habits = self.lately = NO_HABITS

    def note(self, habit: Habit) -> None:
        if habit not in self.lately:
            self.lately |= {habit}
            self.habits |= {habit}

    def refuse(self, name: bytes, *, for_good: bool) -> None:
        """An object that is refused a second time, or ``for_good``, is no longer asked for."""
        if for_good or name in self.refused:
            self.lacking |= {name}
        else:
            self.refused |= {name}

    def for_others(self) -> AgentLimits:
        """For objects of which nothing is to be learnt here: how much the agent takes at once, and how it walks."""
        return AgentLimits(replace(self.get), replace(self.walk), walkable=self.walkable, index_right=self.index_right)

    def remember_whole(self, part: tuple[bytes, ...]) -> None:
        if part not in self.whole:
            self.whole = (*(self.whole if len(self.whole) < TEMPLATES_MAX else ()), part)

    def template(self, names: tuple[bytes, ...]) -> SnmpRequest | None:
        return next((one for one in self.templates if one.oids == names), None)

    def keep_template(self, template: SnmpRequest) -> None:
        self.templates = (*(self.templates if len(self.templates) < TEMPLATES_MAX else ()), template)

    def keep_lacking(self, names: Iterable[bytes]) -> None:
        """Other names than these are not asked for any more."""
        self.lacking = self.lacking.intersection(names) or NO_NAMES
        self.refused = NO_NAMES
        self.templates = ()
