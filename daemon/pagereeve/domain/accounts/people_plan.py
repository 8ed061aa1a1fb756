"""What a list of people says that is not known yet: the facts to be stored, each with the line that it is of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.accounts.people import LoginCollision, People, end_us, slot_of
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people import PersonNamed, PersonWord

PERSON_WORDS: Final[tuple[PersonWord, ...]] = ("key", "login", "name", "mail", "cost_centre")


@dataclass(frozen=True, slots=True)
class PersonLine:
    """A line of a list, with its number there; a text is "" where the line does not say it."""

    line: int
    login: str
    from_us: int = 0
    until_us: int | None = None
    key: str = ""
    name: str = ""
    mail: str = ""
    cost_centre: str = ""

    def text(self, word: PersonWord) -> str:
        return str(getattr(self, word))


@dataclass(frozen=True, slots=True)
class Change:
    """A fact that is not known yet; ``instead`` is the text of the one that it replaces, or ended otherwise."""

    line: int
    fact: PersonNamed
    instead: PersonNamed | None = None


@dataclass(frozen=True, slots=True)
class LineProblem:
    line: int
    text: str


@dataclass(slots=True)
class PeoplePlan:
    """``collisions`` are those that would be there then, and are not now. With problems there are no changes."""

    changes: list[Change] = field(default_factory=list)
    problems: list[LineProblem] = field(default_factory=list)
    collisions: list[LoginCollision] = field(default_factory=list)
    new_persons: int = 0
    same_lines: int = 0


def plan_people(
    people: People, lines: Sequence[PersonLine], new_ids: Iterator[str], now_us: int, by: str
) -> PeoplePlan:
    """``new_ids`` gives ids that nobody has. What is known and not in the list stays as it is."""
    plan = PeoplePlan()
    wanted: list[tuple[PersonLine, PersonNamed]] = []
    known, given = _Known(people), set[str]()
    for group in _groups(lines):
        found = known.persons_of(group, given)
        if len(found) > 1:
            plan.problems.append(LineProblem(group[0].line, _TWO.format(" and ".join(found))))
            continue
        plan.new_persons += not found
        person = found[0] if found else next(new_ids)
        given.update({person} if group[0].key else ())
        wanted += _wanted(group, person, now_us, by, plan.problems)
    plan.problems += _shared(wanted)
    if plan.problems:
        plan.problems.sort(key=lambda one: one.line)
        plan.new_persons = 0
        return plan
    plan.changes = [change for line, fact in wanted if (change := known.change(line.line, fact)) is not None]
    plan.same_lines = len({one.line for one in lines} - {one.line for one in plan.changes})
    before = set(people.collisions())
    after = People(fact for fact in [*people.facts(), *(one.fact for one in plan.changes)])
    plan.collisions = [one for one in after.collisions() if one not in before]
    return plan


_TWO: Final = (
    "names what is known of {}; merge them (pagereeve people merge), or say in a column person which line is whose"
)


class _Known:
    def __init__(self, people: People) -> None:
        self._people = people
        # What was withdrawn says who somebody is only where nothing else does.
        self._having: dict[tuple[str, str], set[str]] = {}
        self._had: dict[tuple[str, str], set[str]] = {}
        for fact in people.facts():
            if isinstance(fact, PersonNamed) and fact.word in {"key", "login", "mail"}:
                having = self._having if end_us(fact) > fact.at_us else self._had
                having.setdefault((fact.word, owner_key(fact.text)), set()).add(people.one(fact.person))

    def persons_of(self, group: Sequence[PersonLine], given: set[str]) -> list[str]:
        """By what the list calls the person; else by login and address, of persons whom no list calls otherwise."""
        key = group[0].key
        if key and (found := self._found([("key", owner_key(key))])):
            return sorted(found)
        texts = [(word, text) for line in group for word, text in (("login", line.login), ("mail", line.mail)) if text]
        found = self._found([(word, owner_key(text)) for word, text in texts])
        if key:
            found = {one for one in found if one not in given and not self._people.said_of(one, "key")}
        return sorted(found)

    def _found(self, names: Sequence[tuple[str, str]]) -> set[str]:
        for known in (self._having, self._had):
            if found := {one for name in names for one in known.get(name, ())}:
                return found
        return set()

    def change(self, line: int, fact: PersonNamed) -> Change | None:
        """None where it is known, under whichever id of the person."""
        for member in self._people.members(fact.person):
            stands = self._people.standing(slot_of(replace(fact, person=member)))
            if stands is not None:
                same = stands.text == fact.text or fact.word in {"login", "mail"}
                if same and stands.until_us == fact.until_us:
                    return None
                # Also where our clock was set back since.
                known_us = max(fact.known_us, stands.known_us + 1)
                return Change(line, replace(fact, person=member, known_us=known_us), stands)
        return Change(line, fact)


def _groups(lines: Sequence[PersonLine]) -> list[list[PersonLine]]:
    """The lines of each person: those that name one key; without keys, those that a login or an address joins."""
    first: dict[tuple[str, str], int] = {}
    root = list(range(len(lines)))

    def top(place: int) -> int:
        while root[place] != place:
            root[place] = root[root[place]]
            place = root[place]
        return place

    for place, line in enumerate(lines):
        names = (("key", line.key),) if line.key else (("login", line.login), ("mail", line.mail))
        for word, text in names:
            if text:
                one, other = top(first.setdefault((word, owner_key(text)), place)), top(place)
                root[max(one, other)] = min(one, other)
    groups: dict[int, list[PersonLine]] = {}
    for place, line in enumerate(lines):
        groups.setdefault(top(place), []).append(line)
    return list(groups.values())


def _wanted(
    group: Sequence[PersonLine], person: str, now_us: int, by: str, problems: list[LineProblem]
) -> list[tuple[PersonLine, PersonNamed]]:
    """A fact for each text that the lines give. What two lines say of one beginning lasts to the later end."""
    facts: dict[object, tuple[PersonLine, PersonNamed]] = {}
    for line in group:
        for word in PERSON_WORDS:
            if not (text := line.text(word)):
                continue
            fact = PersonNamed(line.from_us, person, word, text, now_us, by, line.until_us)
            slot = slot_of(fact)
            other, before = facts.setdefault(slot, (line, fact))
            if owner_key(before.text) != owner_key(text):
                problems.append(LineProblem(line.line, f"{word}: line {other.line} says another one from then on"))
            elif end_us(before) < end_us(fact):
                facts[slot] = (other, replace(before, until_us=fact.until_us))
    return list(facts.values())


def _shared(wanted: Iterable[tuple[PersonLine, PersonNamed]]) -> Iterator[LineProblem]:
    """One login of two persons of the list, at one time."""
    lines = {(fact.person, owner_key(fact.text)): line.line for line, fact in wanted if fact.word == "login"}
    for one in People(fact for _, fact in wanted).collisions():
        at = sorted(lines[person, one.login] for person in one.persons)
        yield LineProblem(at[1], f"login: is another person's at that time by line {at[0]}; give each from and until")
