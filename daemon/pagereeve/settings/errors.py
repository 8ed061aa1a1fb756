"""What is wrong with the settings: everything at once, each with its place and what to do.

PagereeveError
└── BadSettings    holds a Problem for each thing that is wrong
    └── BadList    in a list of people or badges: what it says may name persons
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.errors import PagereeveError

# One mistake in a list of thousands is a problem of each of them.
SHOWN_MAX: Final = 200


@dataclass(frozen=True, slots=True)
class Problem:
    """``where`` names the setting, line or variable; ``text`` says what is wrong with it and what to do."""

    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text}" if self.where else self.text


class BadSettings(PagereeveError):
    """``source`` (a file, say) can't be used; ``problems`` holds all the reasons, never a secret's value."""

    def __init__(self, source: str, problems: Iterable[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        lines = "\n".join(f"  {problem}" for problem in self.problems[:SHOWN_MAX])
        if len(self.problems) > SHOWN_MAX:
            lines += f"\n  and {len(self.problems) - SHOWN_MAX} more: correct these first, and look again"
        super().__init__(f"{source}: {amount(len(self.problems), 'error')}:\n{lines}")


class BadList(BadSettings):
    """A list that people keep: its problems may name persons, and are for those alone who keep it."""
