"""Who is who: from what is said of persons to whose a login's pages are at an instant.

A login that nobody named is a person of its own, and so is one that is two persons' at one instant: nobody guesses.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, NamedTuple

from pagereeve.domain.accounts.cost_centres import NOBODY_SAID, CostCentres
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord

SEVERAL: Final[frozenset[PersonWord]] = frozenset({"login", "mail"})
"""Of these a person may have several at once; of the others the one that began last."""
ENDLESS_US: Final = 2**62
Slot = tuple[str, PersonWord, str, int]
MergeFact = PeopleMerged | MergeUndone


class Who(NamedTuple):
    """A person by id, or where none is known a login by what its spellings have in common; the other is ""."""

    person: str
    login: str


@dataclass(frozen=True, slots=True)
class LoginCollision:
    """One login of two persons, from an instant on and before another one (None: without an end)."""

    login: str
    persons: tuple[str, str]
    from_us: int
    until_us: int | None


def slot_of(fact: PersonNamed) -> Slot:
    """What only one statement can fill: a later one about the same replaces it."""
    return fact.person, fact.word, owner_key(fact.text) if fact.word in SEVERAL else "", fact.at_us


def end_us(fact: PersonNamed) -> int:
    return ENDLESS_US if fact.until_us is None else fact.until_us


class People:
    """What counts is a function of the set of facts, whatever their order."""

    def __init__(self, facts: Iterable[Fact] = ()) -> None:
        self.centres = CostCentres()
        self._said: dict[Slot, PersonNamed] = {}
        self._merges: dict[tuple[str, str], MergeFact] = {}
        self._of_person: dict[str, list[PersonNamed]] | None = None
        self._of_login: dict[str, list[PersonNamed]] = {}
        self._into: dict[str, str] = {}
        self._members: dict[str, list[str]] = {}
        for fact in facts:
            self.add(fact)

    def add(self, fact: Fact) -> None:
        """Facts that say nothing of persons are let pass."""
        if isinstance(fact, Assigned):
            self.centres.add(fact)
        elif isinstance(fact, PersonNamed):
            slot = slot_of(fact)
            self._said[slot] = max(fact, self._said.get(slot, fact), key=_said_order)
            self._of_person = None
        elif isinstance(fact, PeopleMerged | MergeUndone):
            pair = (fact.person, fact.into)
            self._merges[pair] = max(fact, self._merges.get(pair, fact), key=_merge_order)
            self._of_person = None

    def facts(self) -> list[Fact]:
        """What it rests on, without what was replaced."""
        return [*self._said.values(), *self._merges.values()]

    def who(self, login: str, at_us: int) -> Who:
        """Whose a login is at an instant."""
        self._index()
        key = owner_key(login)
        holding = {self.one(fact.person) for fact in self._of_login.get(key, ()) if _holds(fact, at_us)}
        return Who(holding.pop(), "") if len(holding) == 1 else Who("", key)

    def one(self, person: str) -> str:
        """The id that stands for the person, and for all that were merged into it."""
        self._index()
        return self._into.get(person, person)

    def members(self, person: str) -> Sequence[str]:
        """Every id that is this person, its own first."""
        one = self.one(person)
        return [one, *(other for other in self._members.get(one, ()) if other != one)]

    def persons(self) -> list[str]:
        self._index()
        return sorted({self.one(person) for person in self._of_person or ()})

    def persons_called(self, text: str) -> list[str]:
        """Whoever has this id, or had this login or mail address at any time."""
        key = owner_key(text)
        named = {
            self.one(fact.person)
            for fact in self._said.values()
            if fact.word in SEVERAL and end_us(fact) > fact.at_us and owner_key(fact.text) == key
        }
        ids = {self.one(fact.person) for fact in self._said.values() if fact.person == text.strip()}
        return sorted(ids or named)

    def said_of(self, person: str, word: PersonWord | None = None) -> list[PersonNamed]:
        """What holds at any time, in order of its beginning; what was withdrawn is left out."""
        self._index()
        known = self._of_person or {}
        facts = [fact for member in self.members(person) for fact in known.get(member, ())]
        wanted = [fact for fact in facts if (word is None or fact.word == word) and end_us(fact) > fact.at_us]
        return sorted(wanted, key=lambda one: (one.at_us, one.word, one.text, end_us(one)))

    def standing(self, slot: Slot) -> PersonNamed | None:
        """What fills a slot, also where it says that it never held."""
        return self._said.get(slot)

    def merges(self, person: str | None = None) -> list[MergeFact]:
        """The latest word on each pair of whom one is the person, or on every pair, in order of time."""
        of = None if person is None else set(self.members(person)) | {person}
        chosen = [one for pair, one in self._merges.items() if of is None or of & set(pair)]
        return sorted(chosen, key=lambda one: (one.at_us, one.person, one.into))

    def name_of(self, who: Who) -> str:
        """The name that began last, the person's own before that of whoever was merged into it; else ""."""
        for member in self.members(who.person) if who.person else ():
            known = (self._of_person or {}).get(member, ())
            names = [fact for fact in known if fact.word == "name" and end_us(fact) > fact.at_us]
            if names:
                return max(names, key=lambda one: (one.at_us, one.text)).text
        return ""

    def at(self, login: str, at_us: int) -> str:
        """As the lists of persons say, from the first day on of which they say anything; before it, as of the login."""
        who = self.who(login, at_us)
        begun = [one for one in self.said_of(who.person, "cost_centre") if one.at_us <= at_us] if who.person else []
        if not begun:
            return self.centres.at(login, at_us)
        holding = [one for one in begun if _holds(one, at_us)]
        return max(holding, key=_said_order_from).text if holding else NOBODY_SAID

    def login_changes_us(self, from_us: int, to_us: int) -> list[int]:
        """The instants inside (from_us, to_us) at which a login became somebody's, or ended."""
        return _inside((fact for fact in self._said.values() if fact.word == "login"), from_us, to_us)

    def changes_us(self, from_us: int, to_us: int) -> list[int]:
        """As ``login_changes_us``, and those at which anybody went to another cost centre."""
        words = ("login", "cost_centre")
        own = _inside((fact for fact in self._said.values() if fact.word in words), from_us, to_us)
        return sorted({*own, *self.centres.moves_us(from_us, to_us)})

    def collisions(self) -> Iterator[LoginCollision]:
        """Each pair of persons with one login at one time, in order of login."""
        self._index()
        for key, facts in sorted(self._of_login.items()):
            for one, other in combinations(sorted(facts, key=lambda fact: (fact.at_us, fact.person)), 2):
                from_us, until_us = max(one.at_us, other.at_us), min(end_us(one), end_us(other))
                persons = (self.one(one.person), self.one(other.person))
                if from_us < until_us and persons[0] != persons[1]:
                    yield LoginCollision(key, persons, from_us, None if until_us == ENDLESS_US else until_us)

    def _index(self) -> None:
        if self._of_person is not None:
            return
        self._of_person, self._of_login = {}, {}
        for fact in self._said.values():
            self._of_person.setdefault(fact.person, []).append(fact)
            if fact.word == "login":
                self._of_login.setdefault(owner_key(fact.text), []).append(fact)
        self._into, self._members = {}, {}
        for joined in _joined([one for one in self._merges.values() if isinstance(one, PeopleMerged)]):
            one, members = joined
            self._members[one] = members
            self._into.update(dict.fromkeys(members, one))


def _joined(merges: Iterable[PeopleMerged]) -> Iterator[tuple[str, list[str]]]:
    """Whoever stands for several ids, and these: all that merges join, however, are one.

    It is the one into whom the others were merged; of several, or of none, the first in order.
    """
    beside: dict[str, set[str]] = {}
    leading: set[str] = set()
    for merge in merges:
        leading.add(merge.person)
        beside.setdefault(merge.person, set()).add(merge.into)
        beside.setdefault(merge.into, set()).add(merge.person)
    while beside:
        members, ahead = set[str](), [min(beside)]
        while ahead:
            one = ahead.pop()
            members.add(one)
            ahead += beside.pop(one, set()) - members
        yield min(members - leading or members), sorted(members)


def _holds(fact: PersonNamed, at_us: int) -> bool:
    return fact.at_us <= at_us < end_us(fact)


def _said_order(fact: PersonNamed) -> tuple[int, int, str, str]:
    return fact.known_us, end_us(fact), fact.text, fact.by


def _said_order_from(fact: PersonNamed) -> tuple[int, int, int, str]:
    return fact.at_us, fact.known_us, end_us(fact), fact.text


def _merge_order(fact: MergeFact) -> tuple[int, bool, str, str]:
    return fact.at_us, isinstance(fact, MergeUndone), fact.by, fact.reason


def _inside(facts: Iterable[PersonNamed], from_us: int, to_us: int) -> list[int]:
    known = {at_us for fact in facts for at_us in (fact.at_us, end_us(fact))}
    return sorted(at_us for at_us in known if from_us < at_us < to_us)
