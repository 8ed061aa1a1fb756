"""Questions to the person at the printer: on stderr, so that stdout stays clean, and only at a terminal."""

from __future__ import annotations

import asyncio
import sys
from typing import Final

from pagereeve.proof.testpages.jobs import sheets_of_two_sided

ANSWER_CHARS_MAX: Final = 200
TRIES_MAX: Final = 3
# What panels and people put between thousands.
_GROUPING: Final = str.maketrans("", "", " ,.'")


def person_at_terminal() -> TerminalOperator | None:
    """None where nobody can be asked."""
    return TerminalOperator() if sys.stdin.isatty() and sys.stderr.isatty() else None


class TerminalOperator:
    """Implements proof.plan.Person. Answers are whole numbers; an empty one is None."""

    async def panel(self, printer: str) -> int | None:
        return await _number(f"All pages as {printer}'s panel or counter page shows them (empty: not at hand): ")

    async def sheets(self, printer: str, job: str) -> int | None:
        least, most = sheets_of_two_sided()
        question = (
            f"Sheets in {printer}'s tray from '{job}', banner sheets not counted "
            f"({least} if two-sided worked; empty: ?): "
        )
        return await _number(question, least, most)


async def _number(question: str, least: int = 0, most: int | None = None) -> int | None:
    """None where nothing was answered, or TRIES_MAX times nothing that can be."""
    for _ in range(TRIES_MAX):
        # A thread: other proofs and their clocks go on while somebody walks to the printer.
        answer = (await asyncio.to_thread(_line, question)).translate(_GROUPING)
        if not answer:
            return None
        if not (answer.isascii() and answer.isdigit()):
            sys.stderr.write("That is no whole number.\n")
        elif int(answer) < least or (most is not None and int(answer) > most):
            sys.stderr.write(f"That can't be: the job gives {least} to {most} sheets.\n")
        else:
            return int(answer)
    return None


def _line(question: str) -> str:
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline(ANSWER_CHARS_MAX).strip()
