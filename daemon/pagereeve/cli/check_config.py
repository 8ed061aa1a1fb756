"""``pagereeve check-config``."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.http_door import certificate_of
from pagereeve.app.journals import JournalPlace, may_be_there, place_of, reads_of
from pagereeve.app.oidc import require_oidc
from pagereeve.app.receivers import receivers_of
from pagereeve.cli.output import complain, say
from pagereeve.domain.accounts.own_periods import overlaps_of
from pagereeve.domain.values.amounts import amount
from pagereeve.feeds.http.tls import BadCertificate
from pagereeve.feeds.local.peer import unknown_accounts
from pagereeve.feeds.local.socket_file import group_problem
from pagereeve.meters.discovery.profile import BadProfile, profiles_with
from pagereeve.ports.credentials import StoredCredential
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.settings import BadSettings, Problem, Settings, load_settings
from pagereeve.settings.lists.spellings import spelling_notes
from pagereeve.settings.open_address import open_address_problem
from pagereeve.store.errors import CantOpen
from pagereeve.telemetry.file_system import network_trouble


def check_config(file: Annotated[Path, Parameter(help="The settings file.")], /) -> None:
    """Check a settings file and the files that it names. Exit status 2 if there is an error."""
    settings = load_settings(file)
    refuse_bad_files(settings, str(file))
    say(
        f"{file}: OK. {amount(len(settings.printers), 'printer')}, {amount(len(settings.gateways), 'gateway')}, "
        f"{amount(len(settings.feeds.lines), 'line feed')}, {amount(len(settings.relays), 'relay')}, "
        f"{_people(settings)}, "
        f"{amount(len(settings.directory()), 'badge')}; "
        f"data in {settings.data_dir}, HTTP on {settings.http.listen}; {_days_begin(settings)}"
    )
    for one, other in overlaps_of([row.own_period() for row in settings.periods]):
        complain(f"warning: the periods {one} and {other} overlap: pages of the days in both are in the totals of each")
    for unknown in unknown_accounts(settings.local.users, settings.local.groups):
        complain(f"warning: {unknown}")
    for note in spelling_notes(_owners(settings)):
        complain(f"warning: {note}")
    network = network_trouble(settings.data_dir)
    if network:
        complain(f"warning: data_dir {settings.data_dir}: {network}")


def _days_begin(settings: Settings) -> str:
    said = "no [site] zone is set" if settings.site.zone_is_default else "[site] zone"
    return f"days begin in {settings.site.zone} ({said})"


def _people(settings: Settings) -> str:
    listed = settings.people_list()
    if listed.lines:
        return amount(len(listed.lines), "line") + " about people"
    return amount(len(listed.assigned), "cost centre assignment")


def _owners(settings: Settings) -> Iterator[str]:
    yield from (one.owner for one in settings.assignments())
    yield from (one.login for one in settings.people_list().lines)
    yield from (one.owner for one in settings.directory())


def refuse_bad_files(settings: Settings, source: str) -> None:
    """Secrets and people are in files of their own: all their problems at once."""
    problems: list[Problem] = []
    readers: tuple[Callable[[], object], ...] = (
        settings.targets,
        settings.gateway_checks,
        settings.http_credentials,
        settings.people_list,
        settings.directory,
        lambda: receivers_of(settings.alerts, SystemClock()),
        lambda: require_oidc(settings),
    )
    for read in readers:
        try:
            read()
        except BadSettings as error:
            problems += [Problem(f"{error.source}: {one.where}", one.text) for one in error.problems]
    if trouble := open_address_problem(settings.http, credentials=_credentials_exist(settings)):
        problems.append(Problem("http.listen", trouble))
    try:
        certificate = certificate_of(settings.http)
    except BadCertificate as error:
        problems.append(Problem("http.certificate_file", str(error)))
    else:
        if certificate is not None and (trouble := certificate.date_problem(SystemClock().now_us())):
            problems.append(Problem("http.certificate_file", trouble))
    try:
        profiles_with(settings.meters.profiles).require(printer.profile for printer in settings.printers)
    except BadProfile as error:
        problems.append(Problem("meters.profiles", str(error)))
    if trouble := group_problem(settings.local.group):
        problems.append(Problem("local.group", trouble))
    if problems:
        raise BadSettings(source, problems)


def _credentials_exist(settings: Settings) -> bool:
    """In the settings, or in the journal; where that can't be read, the start will say it."""
    if settings.http.credentials:
        return True
    try:
        place = place_of(settings)
        return may_be_there(place) and bool(asyncio.run(_stored(place)))
    except (CantOpen, JournalUnavailable, PermissionError):
        return True


async def _stored(journal: JournalPlace) -> Sequence[StoredCredential]:
    async with await reads_of(journal) as reads:
        return await reads.credentials()
