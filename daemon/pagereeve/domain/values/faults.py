"""What is wrong with an object, all of it at once, where a reader goes on past the first fault."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final

from pagereeve.domain.values.errors import BadFact

# Beyond so many of one object nobody reads on; the first are told, and their number.
FAULTS_MAX: Final = 50
NAME_SHOWN: Final = 40


class BadMembers(BadFact):
    """Several members are refused at once. ``where`` and ``problem`` are the first one's."""

    def __init__(self, errors: Iterable[BadFact]) -> None:
        self.errors = tuple(errors)
        super().__init__(self.errors[0].where, self.errors[0].problem)


@dataclass(slots=True)
class Faults:
    """``dropped`` cost the member that they name and nothing else; ``strange`` are members that nobody knows."""

    dropped: list[BadFact] = field(default_factory=list)
    strange: list[BadFact] = field(default_factory=list)

    def drop(self, error: BadFact) -> None:
        self.dropped += errors_of(error)

    def leave_out(self, path: str, name: str, known: Iterable[str]) -> None:
        """A member that nobody knows; ``known`` are the names that might have been meant."""
        close = get_close_matches(name[:NAME_SHOWN], list(known), n=1, cutoff=0.6)
        meant = f"; did you mean {close[0]!r}?" if close else ""
        self.strange.append(BadFact(path[:200], f"is not known, and was left out{meant}"))

    def told(self) -> Iterator[BadFact]:
        """What whoever sent the object should know although it was accepted; FAULTS_MAX at most."""
        told = [*(left_out(one) for one in self.dropped), *self.strange]
        yield from told[:FAULTS_MAX]
        if len(told) > FAULTS_MAX:
            yield BadFact("data", f"{len(told) - FAULTS_MAX} more members were left out")


def left_out(error: BadFact) -> BadFact:
    return BadFact(error.where, f"{error.problem}; it was left out, and the rest was accepted")


def joined(errors: Sequence[BadFact]) -> BadFact:
    """One error of one or more; FAULTS_MAX of them at most."""
    return errors[0] if len(errors) == 1 else BadMembers(errors[:FAULTS_MAX])


def errors_of(error: BadFact) -> tuple[BadFact, ...]:
    return error.errors if isinstance(error, BadMembers) else (error,)
