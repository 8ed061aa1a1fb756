"""One release on demand: a held job, its owner's badge at the reader, and what became of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.ports.clock import Clock
from pagereeve.simulator.college.college import College
from pagereeve.simulator.errors import BadAct
from pagereeve.simulator.site.release_server import HeldJob

PAGES_MAX: Final = 1_000
COPIES_MAX: Final = 100
PAGE_BYTES: Final = 4_000
# For the badge to arrive, the notices to be answered and the data to be accepted.
WAIT_S: Final = 15.0
LOOK_S: Final = 0.05
PRINT_OPTIONS: Final = "[--pages N] [--copies N] [--two-sided] [--owner LOGIN]"


@dataclass(frozen=True, slots=True)
class PrintAsk:
    pages: int = 1
    copies: int = 1
    two_sided: bool = False
    owner: str = ""

    @property
    def text(self) -> str:
        sides = "two-sided" if self.two_sided else "one-sided"
        return f"{_counted(self.pages, 'page')}, {_counted(self.copies, 'copy', 'copies')}, {sides}"


def ask_of(given: Sequence[str]) -> PrintAsk:
    """Raises BadAct."""
    asked, words = PrintAsk(), iter(given)
    for word in words:
        match word:
            case "--two-sided":
                asked = replace(asked, two_sided=True)
            case "--pages":
                asked = replace(asked, pages=_number(word, next(words, ""), PAGES_MAX))
            case "--copies":
                asked = replace(asked, copies=_number(word, next(words, ""), COPIES_MAX))
            case "--owner":
                asked = replace(asked, owner=next(words, ""))
            case _:
                raise BadAct(f"{word!r} is nothing that print knows; it takes {PRINT_OPTIONS}")
    return asked


async def printed(college: College, clock: Clock, printer: str, name: str, asked: PrintAsk) -> str:
    """Release it and wait, but not for ever, until the gateway's print port has it. Raises BadScenario."""
    owner = asked.owner or college.people[0].login
    college.badge_of(owner)  # before anything is held for nobody
    board = college.server.board
    before = board.acknowledged
    college.hold(
        HeldJob(
            name=name,
            owner=owner,
            printer=printer,
            pages=asked.pages,
            copies=asked.copies,
            sides="two-sided-long-edge" if asked.two_sided else "one-sided",
            size_bytes=PAGE_BYTES * asked.pages,
        )
    )
    college.badge(owner, college.printer(printer).place.gateway)
    release, waited_s = f"{name}.1", 0.0
    while release not in college.server.outcomes and waited_s < WAIT_S:
        await clock.sleep(LOOK_S)
        waited_s += LOOK_S
    outcome = college.server.outcomes.get(release, f"not sent within {WAIT_S:.0f} s")
    return f"release {release} of {owner}: {asked.text}: {outcome}\n{_notices(college, board.acknowledged - before)}"


def _notices(college: College, acknowledged: int) -> str:
    url = college.server.board.url
    if not url:
        return "no daemon was named (--daemon, --settings): nobody was sent a notice"
    if not acknowledged:
        return f"nobody acknowledged its notices at {url}; they are sent again until somebody does"
    return f"{_counted(acknowledged, 'event')} acknowledged by {url} (badge, start, end)"


def _number(option: str, word: str, most: int) -> int:
    if not word.isdecimal() or not 1 <= int(word) <= most:
        raise BadAct(f"{option} is one whole number from 1 to {most}")
    return int(word)


def _counted(number: int, one: str, more: str = "") -> str:
    return f"{number} {one if number == 1 else more or f'{one}s'}"
