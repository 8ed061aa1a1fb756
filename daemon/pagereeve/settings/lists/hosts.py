"""Agents to be looked at once: a line each, HOST, HOST:PORT or [IPV6]:PORT, outside any registry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.registry import PrinterSettings
from pagereeve.settings.single_printer import lone_printer
from pagereeve.settings.text_file import PROBLEMS_MAX, text_of

AGENTS_MAX: Final = 10_000
LINE_MAX: Final = 300

NamedAgent = tuple[str, PrinterSettings]
"""The place as it is written, and an entry for it."""


def agents_in(path: Path, members: Mapping[str, Any]) -> list[NamedAgent]:
    """The agents of a file, each with ``members`` of [[printers]].

    ``#`` begins a comment, empty lines count for nothing. Raises BadSettings with every bad or repeated line.
    """
    lines = enumerate(text_of(path, "--from names it").split("\n"), 1)
    said = ((f"line {number}", line.partition("#")[0].strip()) for number, line in lines)
    return _agents(str(path), [(where, place) for where, place in said if place], members)


def agents_named(places: Iterable[str], members: Mapping[str, Any]) -> list[NamedAgent]:
    """The same for places on a command line."""
    return _agents("the hosts given", [(f"host {nth}", place) for nth, place in enumerate(places, 1)], members)


def _agents(source: str, places: list[tuple[str, str]], members: Mapping[str, Any]) -> list[NamedAgent]:
    problems: list[Problem] = []
    seen: dict[tuple[str, int], str] = {}
    agents: list[NamedAgent] = []
    if not places:
        problems.append(Problem("", "names nobody; write a host, or host:port, on each line"))
    if len(places) > AGENTS_MAX:
        problems.append(Problem("", f"names {len(places)} agents; {AGENTS_MAX} at most"))
        places = []
    for where, place in places:
        try:
            agent = _agent(place, members)
        except BadSettings as error:
            problems += [Problem(f"{where}, {place[:40]!a}", one.text) for one in error.problems]
            continue
        address = (agent.host.casefold(), agent.port)
        first = seen.setdefault(address, where)
        if first != where:
            problems.append(Problem(f"{where}, {place[:40]!a}", f"repeats {first}; keep one"))
        agents.append((place, agent))
    if problems:
        left_out = len(problems) - PROBLEMS_MAX
        further = [Problem("", f"and {amount(left_out, 'further problem')}")] if left_out > 0 else []
        raise BadSettings(source, [*problems[:PROBLEMS_MAX], *further])
    return agents


def _agent(place: str, members: Mapping[str, Any]) -> PrinterSettings:
    if len(place) > LINE_MAX:
        raise BadSettings(place[:40], [Problem("", f"is {len(place)} characters long; {LINE_MAX} at most")])
    if held := refused_character(place):
        raise BadSettings("", [Problem("", f"holds the control character {held}; write host or host:port")])
    return lone_printer(place, members)
