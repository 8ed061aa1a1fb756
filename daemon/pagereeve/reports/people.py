"""Who is who, for people and as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.people import LoginCollision, MergeFact
from pagereeve.domain.accounts.people_plan import Change
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.people import PeopleMerged, PersonNamed
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.people import PeopleAnswer, PersonShown
from pagereeve.reports.text import plain

SHOWN: Final = {"key": "called by the site", "mail": "mail address", "cost_centre": "cost centre"}


def people_table(persons: Iterable[PersonShown]) -> Table:
    table = Table("name", "logins", "mail addresses", "cost centres", "id")
    for one in persons:
        texts = (", ".join(map(plain, one.texts(word))) for word in ("login", "mail", "cost_centre"))
        table.add_row(plain(one.name), *texts, one.person)
    return table


def people_json(answer: PeopleAnswer) -> dict[str, Any]:
    return {
        "persons": [person_json(one) for one in answer.persons],
        "collisions": [
            {"login": one.login, "persons": list(one.persons), **_span_json(one.from_us, one.until_us)}
            for one in answer.collisions
        ],
    }


def person_json(one: PersonShown) -> dict[str, Any]:
    return {
        "id": one.person,
        "name": one.name or None,
        "said": [
            {
                "person": fact.person,
                "word": fact.word,
                "text": fact.text,
                **_span_json(fact.at_us, fact.until_us),
                "known": to_text(fact.known_us),
                "by": fact.by,
            }
            for fact in one.said
        ],
        "merges": [
            {
                "person": fact.person,
                "into": fact.into,
                "merged": isinstance(fact, PeopleMerged),
                "at": to_text(fact.at_us),
                "by": fact.by,
                "reason": fact.reason,
            }
            for fact in one.merges
        ],
    }


def person_lines(one: PersonShown, zone: ZoneInfo) -> list[str]:
    lines = [f"{plain(one.name)} ({one.person})" if one.name else one.person]
    for fact in one.said:
        of = "" if fact.person == one.person else f", as {fact.person}"
        said = f"said by {plain(fact.by)} at {local_text(fact.known_us, zone)}{of}"
        lines.append(f"  {_text(fact)}{_span(fact.at_us, fact.until_us, zone)} ({said})")
    return [*lines, *(f"  {_merge_line(fact, zone)}" for fact in one.merges)]


def change_line(change: Change, zone: ZoneInfo) -> str:
    fact, instead = change.fact, change.instead
    line = f"line {change.line}: {fact.person}: {_text(fact)}{_span(fact.at_us, fact.until_us, zone)}"
    if instead is None:
        return line
    return f"{line}; it was {plain(instead.text)}{_span(instead.at_us, instead.until_us, zone)}"


def assigned_line(fact: Fact, zone: ZoneInfo) -> str:
    if not isinstance(fact, Assigned):
        return ""
    return f"{plain(fact.owner)}: cost centre {plain(fact.cost_centre)}{_span(fact.at_us, None, zone)}"


def collision_line(one: LoginCollision, zone: ZoneInfo) -> str:
    both = " and ".join(one.persons)
    span = _span(one.from_us, one.until_us, zone)
    return (
        f"the login {plain(one.login)} is that of {both} at one time{span}: until one ends, or they are merged, "
        "its pages stand under the login alone"
    )


def _merge_line(fact: MergeFact, zone: ZoneInfo) -> str:
    what = "merged into" if isinstance(fact, PeopleMerged) else "no longer merged into"
    return (
        f"{fact.person} {what} {fact.into} at {local_text(fact.at_us, zone)} by {plain(fact.by)}: {plain(fact.reason)}"
    )


def _text(fact: PersonNamed) -> str:
    return f"{SHOWN.get(fact.word, fact.word)} {plain(fact.text)}"


def _span(from_us: int, until_us: int | None, zone: ZoneInfo) -> str:
    if until_us is not None and until_us <= from_us:
        return ", never"
    begins = "" if from_us <= 0 else f" from {local_text(from_us, zone)}"
    return begins if until_us is None else f"{begins} until {local_text(until_us, zone)}"


def _span_json(from_us: int, until_us: int | None) -> dict[str, Any]:
    return {
        "from": None if from_us <= 0 else to_text(from_us),
        "until": None if until_us is None else to_text(until_us),
    }
