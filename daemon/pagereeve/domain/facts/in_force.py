"""What is in force when: policy, learnt settle time, notes and decisions of one printer, each a fact with a date."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import (
    CounterChosen,
    Decided,
    Fact,
    PolicySet,
    PrinterNoted,
    SettleLearned,
    UnitLearned,
)
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.values.instants import SECOND_US

# Somebody changes a printer and notes it afterwards: so much later the note still explains the change.
NOTE_REACH_US = 24 * 3600 * SECOND_US
# Somebody forgets to note the end: no page and no alert later than this is maintenance's.
MAINTENANCE_LONGEST_US: Final = 24 * 3600 * SECOND_US
MAINTENANCE: Final = "maintenance"
MAINTENANCE_MARKS: Final = frozenset({"maintenance-begun", "maintenance-ended"})
TEST_PAGES: Final = "test-pages"
# Of no weight for any page: it says when somebody last proved the printer with test pages.
PROVEN: Final = "proven"
# A policy may come to ask for badges later: they are kept so long, whatever it says now.
BADGE_REACH_LEAST_US = 3600 * SECOND_US

# A union written in place would be rebuilt at each call.
_STANDING: Final = (PolicySet, SettleLearned, PrinterNoted, Decided)


@dataclass(slots=True)
class Rules:
    """The facts in force of one printer, in order of time; ties go to the later in canonical order."""

    policies: tuple[PolicySet, ...] = ()
    learned: tuple[SettleLearned, ...] = ()
    notes: tuple[PrinterNoted, ...] = ()
    decisions: tuple[Decided, ...] = ()

    @classmethod
    def of(cls, facts: Iterable[Fact]) -> Rules:
        rules = cls()
        for fact in facts:
            rules.add(fact)
        return rules

    def add(self, fact: Fact) -> bool:
        """Add a fact in force; False where the fact is of another sort."""
        if not is_standing(fact):
            return False
        if any(fact in known for known in (self.policies, self.learned, self.notes, self.decisions)):
            return True
        match fact:
            case PolicySet():
                self.policies = tuple(sorted((*self.policies, fact), key=lambda one: (one.at_us, repr(one.policy))))
            case SettleLearned():
                self.learned = tuple(sorted((*self.learned, fact), key=_learned_order))
            case PrinterNoted():
                self.notes = tuple(sorted((*self.notes, fact), key=lambda one: one.origin.order))
            case Decided():
                self.decisions = tuple(sorted((*self.decisions, fact), key=lambda one: one.origin.order))
            case _:
                raise AssertionError(f"{type(fact).__name__} is no fact that stays in force")
        return True

    @property
    def registered(self) -> bool:
        """Somebody set a policy for the printer: it is in the registry."""
        return bool(self.policies)

    def policy_at(self, at_us: int) -> Policy:
        """The policy in force. Before the first one, the first: a registry's start is not the printer's."""
        if len(self.policies) == 1:
            return self.policies[0].policy
        if self.policies:
            index = bisect_right(self.policies, at_us, key=lambda one: one.at_us)
            return self.policies[max(0, index - 1)].policy
        return Policy()

    def badge_reach_us(self) -> int:
        """How long before a release its badge may have been presented, under any policy known."""
        return max([BADGE_REACH_LEAST_US, *(one.policy.badge_within_us for one in self.policies)])

    def settle_us(self, at_us: int) -> int:
        """The settle time in force: the policy's, or a longer one that the daemon learnt."""
        least = self.policy_at(at_us).settle_us
        if not self.learned:
            return least
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us)
        return max(least, self.learned[index - 1].settle_us) if index else least

    def state_believed(self, at_us: int) -> bool:
        """Whether what the printer says of its state is of use; the daemon learns that it isn't."""
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us) if self.learned else 0
        return index == 0 or self.learned[index - 1].state_believed

    def chosen(self, at_us: int) -> tuple[CounterChosen, ...]:
        """The counters that stand for channels, where they are others than a reading's own choice."""
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us)
        return self.learned[index - 1].chosen if index else ()

    def settle_learned_us(self, at_us: int) -> int | None:
        """When the settle time in force was learnt; None where it is the policy's."""
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us)
        if index == 0 or self.learned[index - 1].settle_us <= self.policy_at(at_us).settle_us:
            return None
        return self.learned[index - 1].at_us

    def units_learned(self, at_us: int) -> tuple[UnitLearned, ...]:
        """What was learnt by then of counters whose unit nobody says."""
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us)
        return self.learned[index - 1].units if index else ()

    def unit_learned(self, channel: str, counter: str, at_us: int) -> Unit | None:
        """The learnt unit of a counter (its object); None where nothing is, or it was contradicted since."""
        for one in self.units_learned(at_us):
            if (one.channel, one.object) == (channel, counter):
                return None if one.unit is Unit.UNKNOWN else one.unit
        return None

    def unit_since_us(self, channel: str, counter: str, at_us: int) -> int:
        """Since when it is so, of a counter whose unit was learnt or contradicted; 0 where neither ever was."""
        index = bisect_right(self.learned, at_us, key=lambda one: one.at_us)
        latest: UnitLearned | None = None
        since_us = 0
        for fact in reversed(self.learned[:index]):
            mine = next((one for one in fact.units if (one.channel, one.object) == (channel, counter)), None)
            if mine is None or (latest is not None and mine != latest):
                break
            latest, since_us = mine, fact.at_us
        return since_us

    def maintenance_since_us(self, at_us: int) -> int | None:
        """When the maintenance that goes on at an instant was noted to begin; None where none does."""
        return maintenance_since_us(self.notes, at_us)

    def maintained(self, from_us: int, to_us: int) -> bool:
        """Somebody had marked maintenance for at least a part of the time from ``from_us`` to ``to_us``; for a day at
        most, where nobody marks its end.
        """
        marks = [one for one in self.notes if one.note in MAINTENANCE_MARKS]
        begun = any(one.note == "maintenance-begun" and from_us <= one.origin.at_us <= to_us for one in marks)
        since_us = self.maintenance_since_us(from_us)
        return begun or (since_us is not None and from_us - since_us < MAINTENANCE_LONGEST_US)

    def noted_work(self, from_us: int, to_us: int) -> str:
        """The note by which pages of a time are nobody's, if there is one: ``maintenance`` or ``test-pages``.

        A note of test pages stands for what begins to come as soon as pages of a release would.
        """
        if not self.notes:
            return ""
        if self.maintained(from_us, to_us):
            return MAINTENANCE
        begins_us = from_us - self.policy_at(from_us).unmoved_us
        return TEST_PAGES if self.noted_between(TEST_PAGES, begins_us, to_us) else ""

    def reason_for(self, finding: str) -> str:
        """What a person last said that a finding came of; empty where nobody did, or it was taken back."""
        reason = ""
        for one in self.decisions:
            if one.finding == finding:
                reason = "" if one.action == "reopen" else one.reason or reason
        return reason

    def noted_between(self, note: str, from_us: int, to_us: int) -> PrinterNoted | None:
        return next((one for one in self.notes if one.note == note and from_us <= one.origin.at_us <= to_us), None)


def maintenance_since_us(notes: Iterable[PrinterNoted], at_us: int) -> int | None:
    """Of a printer's notes in order of time, as SiteRules says it."""
    begun_us: int | None = None
    for note in notes:
        if note.origin.at_us <= at_us and note.note in MAINTENANCE_MARKS:
            begun_us = note.origin.at_us if note.note == "maintenance-begun" else None
    return begun_us


def is_standing(fact: Fact) -> bool:
    """The fact is in force beyond its own time."""
    return isinstance(fact, _STANDING)


def _learned_order(fact: SettleLearned) -> tuple[object, ...]:
    return (fact.at_us, fact.settle_us, fact.state_believed, repr(fact.units), repr(fact.chosen))
