"""``pagereeve people``: who is who."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.people import said_so_far, say_people
from pagereeve.app.people_facts import new_person_ids, people_plan
from pagereeve.cli.journal import journal_place, local_socket
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Socket, Zone
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.people import People
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.feeds.local.peer import this_user
from pagereeve.queries.people import all_people, person_meant, person_shown
from pagereeve.reports.people import (
    assigned_line,
    change_line,
    collision_line,
    people_json,
    people_table,
    person_json,
    person_lines,
)
from pagereeve.settings import BadSettings, Problem
from pagereeve.settings.lists.people import read_people_list

app = App(name="people", help="Who is who: import a list of people, show it, merge two who are one.")

REASON_MAX: Final = 1_000
Person = Annotated[str, Parameter(help="A login, a mail address, or an id (p-...).")]
Reason = Annotated[str, Parameter(help="Why, stored permanently. Don't put people's names in it.")]


@app.command(name="import")
def import_(
    file: Annotated[Path, Parameter(help="CSV with a head line; pagereeve docs totals has its columns.")],
    /,
    *,
    dry_run: Annotated[bool, Parameter(negative="", help="Show what would change, and store nothing.")] = False,
    zone: Zone = None,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Import logins, names, mail addresses and cost centres with their dates. The same file twice changes nothing.

    Works beside a running daemon and without one. What a file no longer has stays as it is. Exit status 2 if anything
    is wrong; nothing is then stored.
    """
    site = site_of(config, data_dir, zone)
    for note in site.note():
        complain(note)
    listed = read_people_list(file, site.zone, "the command")
    journal = journal_place(config, data_dir)
    known = asyncio.run(said_so_far(journal))
    plan, facts = people_plan(People(known), listed, known, SystemClock().now_us(), this_user().name)
    if plan.problems:
        raise BadSettings(str(file), [Problem(f"line {one.line}", one.text) for one in plan.problems])
    for change in plan.changes:
        say(change_line(change, site.zone))
    for fact in facts:
        if not isinstance(fact, PersonNamed):
            say(assigned_line(fact, site.zone))
    for one in plan.collisions:
        complain(f"warning: {collision_line(one, site.zone)}")
    if not facts:
        say("Nothing changes.")
    elif dry_run:
        say(f"{amount(len(facts), 'change')}, with {amount(plan.new_persons, 'new person', 'new persons')}.")
        say("Nothing was stored; without --dry-run it is.")
    else:
        where = _store(facts, socket, config, data_dir)
        say(f"{where}: {amount(len(facts), 'change')}, with {amount(plan.new_persons, 'new person', 'new persons')}.")
    return 0


@app.command(name="list")
def list_(*, json: AsJson = False, zone: Zone = None, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> int:
    """List the persons whom a list names. Exit status 1 if a login is that of two persons at one time."""
    site = site_of(config, data_dir, zone)
    answer = all_people(_people(config, data_dir))
    if json:
        say_json(people_json(answer))
        return 1 if answer.collisions else 0
    if answer.persons:
        show(people_table(answer.persons))
    else:
        say("No list names a person: each login is a person of its own. pagereeve people import FILE changes that.")
    for one in answer.collisions:
        say(collision_line(one, site.zone))
    return 1 if answer.collisions else 0


@app.command(name="show")
def show_(
    person: Person,
    /,
    *,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Show all that is known of a person, with the dates, and who was merged with whom."""
    site = site_of(config, data_dir, zone)
    people = _people(config, data_dir)
    shown = person_shown(people, person_meant(people, person))
    if json:
        say_json(person_json(shown))
        return 0
    for line in person_lines(shown, site.zone):
        say(line)
    return 0


@app.command
def merge(
    person: Person,
    into: Person,
    /,
    *,
    reason: Reason,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Say that two are one person: the first is counted as the second from now on.

    Nothing is rewritten, and unmerge takes it back. A login that no list names becomes a person of its own first.
    """
    people = _people(config, data_dir)
    new_ids = new_person_ids()
    facts: list[Fact] = []
    ids: list[str] = []
    now_us, by = SystemClock().now_us(), this_user().name
    for text in (person, into):
        if people.persons_called(text) or text.strip().startswith("p-"):
            ids.append(person_meant(people, text))
        else:
            ids.append(next(new_ids))
            facts.append(PersonNamed(0, ids[-1], "login", _given("login", text), now_us, by))
    if ids[0] == ids[1] or (len(facts) > 1 and People(facts).collisions()):
        raise BadQuestion(into[:64], f"is the same person as {person[:64]}; there is nothing to merge")
    facts.append(PeopleMerged(now_us, ids[0], ids[1], by, _given("--reason", reason)))
    where = _store(facts, socket, config, data_dir)
    say(f"{where}: {ids[0]} is {ids[1]}. To take it back: pagereeve people unmerge {ids[0]} {ids[1]} --reason WHY")
    return 0


@app.command
def unmerge(
    person: Annotated[str, Parameter(help="The id of the person who was merged; people show names it.")],
    into: Annotated[str, Parameter(help="The id of the person into whom it was.")],
    /,
    *,
    reason: Reason,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Take a merge back: the two are two persons again, with all that was theirs before."""
    people = _people(config, data_dir)
    pair = (person.strip(), into.strip())
    if not any(isinstance(one, PeopleMerged) and (one.person, one.into) == pair for one in people.merges()):
        raise BadQuestion(person[:64], f"is not merged into {into[:64]}; pagereeve people show has the ids of a merge")
    facts = [MergeUndone(SystemClock().now_us(), *pair, this_user().name, _given("--reason", reason))]
    say(f"{_store(facts, socket, config, data_dir)}: {pair[0]} and {pair[1]} are two persons again.")
    return 0


def _people(config: Path, data_dir: Path | None) -> People:
    return People(asyncio.run(said_so_far(journal_place(config, data_dir))))


def _given(option: str, text: str) -> str:
    plain = text.strip()
    if not plain or len(plain) > REASON_MAX or not plain.isprintable():
        raise BadQuestion(option, f"must be plain text of 1 to {REASON_MAX} characters")
    return plain


def _store(facts: Sequence[Fact], socket: Path | None, config: Path, data_dir: Path | None) -> str:
    place = socket or local_socket(config, data_dir)
    by_daemon = asyncio.run(say_people(place, journal_place(config, data_dir), facts, only_daemon=socket is not None))
    return "Sent to the daemon" if by_daemon else "Written into the journal"
