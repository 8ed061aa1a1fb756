"""What is said of persons: in whatever order it comes, however often, and with each merge undone, it says the same."""

from __future__ import annotations

from itertools import count, pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.people_plan import PersonLine, plan_people
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed

IDS = [f"p-{number:012x}" for number in range(4)]
LOGINS = ("u1", "U1 ", "u2", "u3", "u4")
INSTANTS = st.integers(0, 6)
ENDS = st.none() | INSTANTS
NAMED = st.builds(
    PersonNamed,
    at_us=INSTANTS,
    person=st.sampled_from(IDS),
    word=st.sampled_from(["login", "name", "cost_centre", "mail", "key"]),
    text=st.sampled_from(LOGINS),
    known_us=INSTANTS,
    by=st.sampled_from(["warden", "porter"]),
    until_us=ENDS,
).filter(lambda one: one.until_us is None or one.until_us >= one.at_us)
PAIRS = st.lists(st.sampled_from(IDS), min_size=2, max_size=2, unique=True)
MERGES = st.builds(
    lambda made, at_us, pair: made(at_us, *pair, "warden", "why"),
    st.sampled_from([PeopleMerged, MergeUndone]),
    INSTANTS,
    PAIRS,
)
FACTS = st.lists(NAMED | MERGES, max_size=14)
LINES = st.lists(
    st.builds(
        PersonLine,
        line=st.just(0),
        login=st.sampled_from(LOGINS),
        from_us=st.integers(0, 3),
        until_us=st.none() | st.integers(3, 6),
        name=st.sampled_from(["", "Anise Adler", "Basil Byrd"]),
        mail=st.sampled_from(["", "a@x.example", "b@x.example"]),
        cost_centre=st.sampled_from(["", "CC1", "CC2"]),
    ),
    max_size=7,
).map(lambda lines: [PersonLine(number, *_rest(one)) for number, one in enumerate(lines, 2)])


def _rest(line: PersonLine) -> tuple[str, int, int | None, str, str, str, str]:
    return line.login, line.from_us, line.until_us, line.key, line.name, line.mail, line.cost_centre


def answers(people: People) -> list[object]:
    asked = [(login, at_us) for login in LOGINS for at_us in range(8)]
    who = [people.who(login, at_us) for login, at_us in asked]
    centres = [people.at(login, at_us) for login, at_us in asked]
    return [who, centres, [people.name_of(one) for one in who], list(people.collisions()), people.persons()]


@given(FACTS, st.randoms(use_true_random=False))
@settings(max_examples=150, deadline=None)
def test_order_and_repetition_change_nothing(facts: list[Fact], random: st.DrawFn) -> None:
    again = [*facts, *facts[::2]]
    random.shuffle(again)  # type: ignore[attr-defined]
    assert answers(People(again)) == answers(People(facts))


@given(FACTS, PAIRS)
@settings(max_examples=150, deadline=None)
def test_a_merge_and_its_undo_restore_what_was_said_exactly(facts: list[Fact], pair: list[str]) -> None:
    before = People(facts)
    stood = any(isinstance(one, PeopleMerged) and [one.person, one.into] == pair for one in before.merges())
    merged = [*facts, PeopleMerged(7, pair[0], pair[1], "warden", "one")]
    assert People(merged).one(pair[0]) == People(merged).one(pair[1])
    if not stood:
        assert answers(People([*merged, MergeUndone(8, pair[0], pair[1], "warden", "two")])) == answers(before)


@given(FACTS)
@settings(max_examples=150, deadline=None)
def test_between_two_changes_every_login_is_the_same_persons_and_in_the_same_cost_centre(facts: list[Fact]) -> None:
    people = People(facts)
    cuts = [0, *people.changes_us(0, 8), 8]
    for begins, ends in pairwise(cuts):
        for login in LOGINS:
            assert len({people.who(login, at_us) for at_us in range(begins, ends)}) <= 1
            assert len({people.at(login, at_us) for at_us in range(begins, ends)}) <= 1


@given(FACTS, LINES)
@settings(max_examples=200, deadline=None)
def test_the_same_list_twice_changes_nothing_more(facts: list[Fact], lines: list[PersonLine]) -> None:
    known = People(facts)
    plan = plan_people(known, lines, (f"p-{number:012x}" for number in count(16)), 100, "warden")
    if plan.problems:
        assert plan.changes == []
        return
    people = People([*facts, *(one.fact for one in plan.changes)])
    again = plan_people(people, lines, (f"p-{number:012x}" for number in count(64)), 200, "warden")
    assert (again.changes, again.problems, again.new_persons) == ([], [], 0)
    assert again.same_lines == len(lines)
