"""Persons, logins and cost centres. All of them are invented.

Merged users who lose their history, and the choice to leave old lines as they were: grokability/snipe-it#15005,
CenterForOpenScience/osf.io#201. Only the latest cost centre kept: vageeshs7/ot-personaldata#55.
"""

from __future__ import annotations

from itertools import count

from pagereeve.domain.accounts.people import LoginCollision, People, Who
from pagereeve.domain.accounts.people_plan import PeoplePlan, PersonLine, plan_people
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord

ANISE, BASIL, CHERVIL = "p-00000000000a", "p-00000000000b", "p-00000000000c"


def said(
    person: str, word: PersonWord, text: str, from_us: int = 0, until_us: int | None = None, known: int = 0
) -> PersonNamed:
    return PersonNamed(from_us, person, word, text, known, "warden", until_us)


def planned(people: People, *lines: PersonLine, now_us: int = 100) -> PeoplePlan:
    return plan_people(people, lines, (f"p-{number:012x}" for number in count(now_us)), now_us, "warden")


def after(people: People, *lines: PersonLine, now_us: int = 100) -> People:
    plan = planned(people, *lines, now_us=now_us)
    assert plan.problems == []
    return People([*people.facts(), *(one.fact for one in plan.changes)])


def test_case_and_outer_blanks_do_not_matter_and_a_login_of_nobody_is_its_own_person() -> None:
    people = People([said(ANISE, "login", "Anise.A")])
    assert people.who(" anise.a ", 5) == people.who("ANISE.A", 5) == Who(ANISE, "")
    assert people.who("Stranger", 5) == Who("", "stranger")
    assert people.who(ANISE, 5) == Who("", ANISE), "who is called as an id is nobody else for it"


def test_a_login_is_somebodys_from_an_instant_until_before_another() -> None:
    people = People([said(ANISE, "login", "u1", 10, 20), said(BASIL, "login", "u1", 20)])
    assert [people.who("u1", at_us).person for at_us in (9, 10, 19, 20)] == ["", ANISE, ANISE, BASIL]
    assert people.login_changes_us(0, 100) == [10, 20]
    assert list(people.collisions()) == []


def test_a_login_of_two_persons_at_once_is_told_and_nobodys() -> None:
    people = People([said(ANISE, "login", "u1", 0, 20), said(BASIL, "login", "U1", 10)])
    assert list(people.collisions()) == [LoginCollision("u1", (ANISE, BASIL), 10, 20)]
    assert [people.who("u1", at_us) for at_us in (9, 10, 20)] == [Who(ANISE, ""), Who("", "u1"), Who(BASIL, "")]
    one = People([*people.facts(), PeopleMerged(30, BASIL, ANISE, "warden", "one")])
    assert list(one.collisions()) == []
    assert one.who("u1", 10) == Who(ANISE, "")


def test_what_became_known_last_counts_and_what_ends_as_it_begins_never_held() -> None:
    people = People([said(ANISE, "name", "Anise Alder", known=2), said(ANISE, "name", "Anise Adler", known=1)])
    assert people.name_of(Who(ANISE, "")) == "Anise Alder"
    people.add(said(ANISE, "name", "Anise Alder", 0, 0, known=3))
    assert people.name_of(Who(ANISE, "")) == ""
    assert people.said_of(ANISE) == []


def test_a_transfer_in_mid_month_is_told_by_the_instant() -> None:
    people = People(
        [
            *(said(ANISE, "login", "u1"), said(ANISE, "cost_centre", "CC1", 10, 15)),
            *(said(ANISE, "cost_centre", "CC2", 15), Assigned(0, "U1", "CC0")),
        ]
    )
    assert [people.at("u1", at_us) for at_us in (9, 10, 14, 15, 99)] == ["CC0", "CC1", "CC1", "CC2", "CC2"]
    assert people.changes_us(0, 99) == [10, 15]


def test_after_the_end_of_the_last_assignment_nobody_says_where_somebody_belongs() -> None:
    people = People([said(ANISE, "login", "u1"), said(ANISE, "cost_centre", "CC1", 0, 15), Assigned(0, "u1", "CC0")])
    assert [people.at("u1", at_us) for at_us in (14, 15)] == ["CC1", ""]


def test_merge_and_undo_are_dated_and_show_both_names() -> None:
    facts = [said(ANISE, "login", "u1"), said(BASIL, "login", "u2"), said(BASIL, "name", "Basil Byrd")]
    merged = People([*facts, PeopleMerged(15, BASIL, ANISE, "warden", "two accounts")])
    assert merged.who("u1", 3) == merged.who("u2", 3) == Who(ANISE, "")
    assert merged.name_of(Who(ANISE, "")) == "Basil Byrd"
    assert [fact.text for fact in merged.said_of(ANISE, "login")] == ["u1", "u2"]
    apart = People([*merged.facts(), MergeUndone(16, BASIL, ANISE, "warden", "two people")])
    assert apart.who("u2", 3) == Who(BASIL, "")
    again = People([*apart.facts(), PeopleMerged(17, BASIL, ANISE, "warden", "one after all")])
    assert again.who("u2", 3) == Who(ANISE, "")


def test_aliases_in_a_circle_or_to_two_ends_stand_for_one_person() -> None:
    circle = [PeopleMerged(1, *pair, "w", "r") for pair in ((ANISE, BASIL), (BASIL, CHERVIL), (CHERVIL, ANISE))]
    assert {People(circle).one(one) for one in (ANISE, BASIL, CHERVIL)} == {ANISE}
    ends = [PeopleMerged(1, CHERVIL, BASIL, "w", "r"), PeopleMerged(1, CHERVIL, ANISE, "w", "r")]
    assert {People(ends).one(one) for one in (ANISE, BASIL, CHERVIL)} == {ANISE}


def test_lines_of_one_login_or_one_address_are_one_person() -> None:
    lines = (
        PersonLine(2, "anise", name="Anise Adler", mail="anise@college.example"),
        PersonLine(3, " ANISE ", cost_centre="CC1", until_us=15),
        PersonLine(4, "a.adler", mail="Anise@College.example", cost_centre="CC2", from_us=15),
    )
    plan = planned(People(), *lines)
    assert (plan.problems, plan.new_persons) == ([], 1)
    people = after(People(), *lines)
    assert people.who("a.adler", 20) == people.who("anise", 20)
    assert people.who("a.adler", 14) == Who("", "a.adler")
    assert [people.at("anise", at_us) for at_us in (14, 15)] == ["CC1", "CC2"]
    assert planned(people, *lines, now_us=200).changes == []


def test_a_login_given_to_another_person_needs_what_the_site_calls_them() -> None:
    lines = (PersonLine(2, "u1", 0, 20, key="4711"), PersonLine(3, "u1", 20, key="4712"))
    people = after(People(), *lines)
    assert len(people.persons()) == 2
    assert planned(people, *lines, now_us=200).changes == []
    both = planned(People(), PersonLine(2, "u1", key="4711"), PersonLine(3, "u1", 20, key="4712"))
    assert [(one.line, one.text.partition(":")[0]) for one in both.problems] == [(3, "login")]


def test_who_was_known_by_a_login_alone_keeps_the_id_once_the_list_has_names_of_its_own() -> None:
    known = after(People(), PersonLine(2, "u1"))
    (person,) = known.persons()
    people = after(known, PersonLine(2, "u1", key="4711", name="Anise Adler"), now_us=200)
    assert people.persons() == [person]


def test_two_texts_from_one_instant_on_are_told_by_line() -> None:
    plan = planned(People(), PersonLine(2, "u1", cost_centre="CC1"), PersonLine(3, "u1", cost_centre="CC2"))
    assert [(one.line, one.text.partition(":")[0]) for one in plan.problems] == [(3, "cost_centre")]
    assert plan.changes == []


def test_a_list_that_says_that_two_known_persons_are_one_is_not_guessed_about() -> None:
    known = after(People(), PersonLine(2, "u1"), PersonLine(3, "u2"))
    plan = planned(known, PersonLine(2, "u1", mail="a@x.example"), PersonLine(3, "u2", mail="a@x.example"))
    assert "people merge" in plan.problems[0].text
    one, other = known.persons()
    merged = People([*known.facts(), PeopleMerged(5, one, other, "warden", "two accounts")])
    assert planned(merged, PersonLine(2, "u1", mail="a@x.example"), PersonLine(3, "u2", mail="a@x.example")).changes


def test_a_line_changed_or_withdrawn_is_one_change() -> None:
    known = after(People(), PersonLine(2, "u1", name="Anise Alder", cost_centre="CC1"))
    plan = planned(known, PersonLine(2, "u1", name="Anise Adler", cost_centre="CC1"), now_us=200)
    (change,) = plan.changes
    assert (change.line, change.fact.text, change.instead and change.instead.text) == (2, "Anise Adler", "Anise Alder")
    gone = after(known, PersonLine(2, "u1", 0, 0, cost_centre="CC1"), now_us=200)
    assert gone.at("u1", 5) == ""


def test_a_collision_with_what_is_known_is_told_and_not_refused() -> None:
    known = after(People(), PersonLine(2, "u1", key="4711"))
    plan = planned(known, PersonLine(2, "u1", 20, key="4712"), now_us=200)
    assert [(one.login, one.from_us) for one in plan.collisions] == [("u1", 20)]
    assert plan.changes
