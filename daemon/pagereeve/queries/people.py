"""Who is who, as the journal says it now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.people import LoginCollision, MergeFact, People, Who
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.kept_facts import KeptPeople
from pagereeve.ports.reads import Reads

NOBODY: Final = KeptPeople(0, People())


@dataclass(frozen=True, slots=True)
class PersonShown:
    """``said`` is all that holds at any time, of each id that is this person; ``merges`` the latest of each pair."""

    person: str
    name: str
    said: tuple[PersonNamed, ...]
    merges: tuple[MergeFact, ...] = ()

    def texts(self, word: str) -> list[str]:
        """Each once, however it is written."""
        first: dict[str, str] = {}
        for one in self.said:
            if one.word == word:
                first.setdefault(owner_key(one.text), one.text)
        return list(first.values())


@dataclass(frozen=True, slots=True)
class PeopleAnswer:
    persons: tuple[PersonShown, ...]
    collisions: tuple[LoginCollision, ...]


async def people_of(reads: Reads) -> People:
    """Of one moment where ``reads`` is; nothing is to be added to it. Who has names erased, or moves to another cost
    centre, is seen at once: what is kept stands only as long as nothing says otherwise.
    """
    if reads.kept is None:
        return await _people_of(reads)
    known = reads.kept.people or NOBODY
    tail, changed = await reads.people_since(known.tail)
    if tail < known.tail:
        return await _people_of(reads)  # as of an earlier moment than what is kept
    people = await _people_of(reads) if changed else known.people
    reads.kept.people = KeptPeople(tail, people)
    return people


async def _people_of(reads: Reads) -> People:
    return People([fact async for fact in reads.people_facts()])


def all_people(people: People) -> PeopleAnswer:
    """In order of name, and of id where there is none."""
    shown = [person_shown(people, one) for one in people.persons()]
    return PeopleAnswer(tuple(sorted(shown, key=lambda one: (one.name, one.person))), tuple(people.collisions()))


def person_shown(people: People, person: str) -> PersonShown:
    one = people.one(person)
    return PersonShown(one, people.name_of(Who(one, "")), tuple(people.said_of(one)), tuple(people.merges(one)))


def person_meant(people: People, text: str) -> str:
    """By id, login or mail address, at any time. Raises BadQuestion where that is nobody, or more than one."""
    found = people.persons_called(text)
    if len(found) > 1:
        raise BadQuestion(text[:64], f"is said of {' and '.join(found)}; name one of them by its id")
    if not found:
        raise BadQuestion(text[:64], "is nobody whom a list names; pagereeve people list shows them")
    return found[0]
