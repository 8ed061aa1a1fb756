"""The commands of README.md, as they stand in it; and which of them a test plays otherwise, or can't play, and why."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

# What begins a command where the README has it in the middle of a text or a table.
PROGRAMS: Final = (
    *("pagereeve", "contrib/try", "contrib/check", "systemctl", "journalctl", "sudo", "curl", "uv", "pipx", "pip"),
    *("apt", "apt-get", "dpkg", "podman", "docker", "openssl"),
)
FENCE: Final = "```"


@dataclass(frozen=True, slots=True)
class Otherwise:
    """``shown`` is the command, or a part of commands, as the README has it; ``played`` is what runs in its place."""

    shown: str
    played: str
    why: str


# Addresses that the README prints; the simulated site has others. {words} are filled in by the test.
ADDRESSES: Final = (
    Otherwise("192.0.2.10:1161", "{forward}", "the simulated gateway's forward of SNMP"),
    Otherwise("http://127.0.0.1:8731/", "http://{http}/", "a free port: others may use this one at the same time"),
)

# Whole commands.
OTHERWISE: Final = (
    Otherwise("contrib/try", "contrib/try --help", "takes a minute: tests/acceptance/test_demo.py plays it"),
    Otherwise("uv tool install .", "{install}", "without the package index: builds the wheel and unpacks it"),
    Otherwise(
        "pagereeve prove library-1 --print --report library-1.html",
        "pagereeve prove library-1 --print --report library-1.html --yes --quiet 0.2",
        "nobody is there to say yes; the simulated printer rests at once",
    ),
    Otherwise("pagereeve prove --all", "pagereeve prove --all --quiet 0.2", "rests at once"),
    Otherwise("pagereeve read", "pagereeve read --printer library-1", "a name of a command, without what it asks for"),
    Otherwise("pagereeve explain RELEASE", "pagereeve explain r-1001", "a word in capitals stands for a name"),
    Otherwise("pagereeve alerts try NAME", "pagereeve alerts try collector", "a word in capitals stands for a name"),
    Otherwise(
        "pagereeve printers import LIST",
        "printf 'name,host\nannex-1,192.0.2.11\n' > list.csv && pagereeve printers import list.csv --dry-run",
        "a word in capitals stands for a name; the list is made first, and its printer is not there",
    ),
    Otherwise(
        "pagereeve supplier-bill FILE",
        "printf 'serial,opening,opening_date,closing,closing_date\nX1,1,2026-11-01,2,2026-11-30\n' > bill.csv && "
        "pagereeve supplier-bill bill.csv",
        "a word in capitals stands for a name; the bill is made first",
    ),
    Otherwise(
        "pagereeve simulate",
        "pagereeve simulate --help",
        "runs until it ends: tests/acceptance/test_simulate.py plays it",
    ),
    Otherwise("pagereeve backup FILE", "pagereeve backup {home}/backup", "a word in capitals stands for a name"),
    Otherwise(
        "pagereeve project FILE",
        "pagereeve facts --out {home}/facts.ndjson && pagereeve project {home}/facts.ndjson",
        "a word in capitals stands for a name; the file is made first",
    ),
    Otherwise(
        "pagereeve erase LOGIN --yes", "pagereeve erase user-anise --yes", "a word in capitals stands for a name"
    ),
    Otherwise("systemctl reload pagereeve", "kill -HUP {daemon}", "what ExecReload of the unit does"),
)

# Each with why it is not run here.
NOT_PLAYED: Final = {
    "contrib/check": "it runs this test",
    "contrib/try --keep": "runs until it is stopped; its help names the option",
    "contrib/try --long": "takes three minutes: test_demo.py plays it; its help names the option",
    "pagereeve prove PRINTER --print": "the block of the first printer has it, with a report",
}

# They run until they are stopped.
SERVICES: Final = ("pagereeve run --config pagereeve.toml", "pagereeve relay")
# Played last, after the daemon was stopped, as their help says.
WITH_THE_DAEMON_STOPPED: Final = ("pagereeve replay", "pagereeve erase LOGIN --yes")
# 1 says that something was found: a new site has no backup, a release that never ends, and a printer that is not
# proven; and a bill of a meter that nobody read differs.
MAY_FIND: Final = (
    *("pagereeve doctor", "pagereeve doctor --config pagereeve.toml", "pagereeve findings"),
    *("pagereeve printers check", "pagereeve supplier-bill FILE"),
)


def _without_fences(text: str) -> list[str]:
    lines, inside = [], False
    for line in text.splitlines():
        if line.startswith(FENCE):
            inside = not inside
        elif not inside:
            lines.append(line)
    return lines


def _whole(lines: list[str]) -> Iterator[str]:
    """Commands of a block: a line goes on in the next one while a quote of it is open. Comments are left out."""
    held: list[str] = []
    for line in lines:
        held.append(line)
        try:
            shlex.split("\n".join(held), comments=True)
        except ValueError:
            continue
        yield re.sub(r"  +#.*$", "", "\n".join(held))
        held = []
    if held:
        raise AssertionError(f"a quote is not closed: {held}")


def block_commands(text: str) -> list[str]:
    """Of the indented blocks, in their order."""
    lines = [line.removeprefix("    ") for line in _without_fences(text) if line.startswith("    ")]
    return list(_whole(lines))


def inline_commands(text: str) -> list[str]:
    """Of tables and sentences, each once, in their order; what a block has too is not among them."""
    running = "\n".join(line for line in _without_fences(text) if not line.startswith("    "))
    spans = (span for span in re.findall(r"`([^`\n]+)`", running) if span.split()[0] in PROGRAMS)
    return [span for span in dict.fromkeys(spans) if span not in block_commands(text)]


def played(command: str) -> str:
    """What runs in its place; {words} in it are for the test to fill in."""
    whole = {one.shown: one.played for one in OTHERWISE}
    if command in whole:
        return whole[command]
    text = command.replace("{", "{{").replace("}", "}}")
    for one in ADDRESSES:
        text = text.replace(one.shown, one.played)
    return text
