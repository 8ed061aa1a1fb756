"""``pagereeve check-config``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.receivers import receivers_of
from pagereeve.cli.output import complain, say
from pagereeve.meters.discovery.profile import BadProfile, profiles_with
from pagereeve.settings import BadSettings, Problem, Settings, load_settings
from pagereeve.settings.lists.spellings import spelling_notes
from pagereeve.telemetry.file_system import network_trouble


def check_config(file: Annotated[Path, Parameter(help="The settings file.")], /) -> None:
    """Check a settings file and the files that it names. Exit status 2 if there is an error."""
    settings = load_settings(file)
    refuse_bad_files(settings, str(file))
    say(
        f"{file}: OK. {len(settings.printers)} printers, {len(settings.gateways)} gateways, "
        f"{len(settings.feeds.lines)} line feeds, {len(settings.relays)} relays, "
        f"{len(settings.assignments())} cost centre assignments, {len(settings.directory())} badges; "
        f"data in {settings.data_dir}, HTTP on {settings.http.listen}"
    )
    for note in spelling_notes(_owners(settings)):
        complain(f"warning: {note}")
    network = network_trouble(settings.data_dir)
    if network:
        complain(f"warning: data_dir {settings.data_dir}: {network}")


def _owners(settings: Settings) -> Iterator[str]:
    yield from (one.owner for one in settings.assignments())
    yield from (one.owner for one in settings.directory())


def refuse_bad_files(settings: Settings, source: str) -> None:
    """Secrets and people are in files of their own: all their problems at once."""
    problems: list[Problem] = []
    readers: tuple[Callable[[], object], ...] = (
        settings.targets,
        settings.http_tokens,
        settings.assignments,
        settings.directory,
        lambda: receivers_of(settings.alerts, SystemClock()),
    )
    for read in readers:
        try:
            read()
        except BadSettings as error:
            problems += [Problem(f"{error.source}: {one.where}", one.text) for one in error.problems]
    try:
        profiles_with(settings.meters.profiles).require(printer.profile for printer in settings.printers)
    except BadProfile as error:
        problems.append(Problem("meters.profiles", str(error)))
    if problems:
        raise BadSettings(source, problems)
