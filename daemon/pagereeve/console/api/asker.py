"""Who asks: the daemon found it out, and says it in headers that nobody else can send (app/questions)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import quote, unquote

from fastapi import Depends, Request

from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import ACTS, Act, Caller

NAME_HEADER: Final = "pagereeve-asker"
ACTS_HEADER: Final = "pagereeve-acts"


def headers_of(caller: Caller) -> list[tuple[bytes, bytes]]:
    """As the query process is told who asks."""
    return [(NAME_HEADER.encode(), quote(caller.name).encode()), (ACTS_HEADER.encode(), caller.acts_text.encode())]


@dataclass(frozen=True, slots=True)
class Asker:
    """The holder of a credential (no name: where none was ever made), and what it may."""

    name: str
    acts: frozenset[Act]

    @property
    def sees_names(self) -> bool:
        """May it see whose releases they were?"""
        return "names" in self.acts

    def require_names(self, where: str) -> None:
        """Raises ApiProblem where the answer would be about a person."""
        if not self.sees_names:
            who = f"the credential {self.name}" if self.name else "who shows no credential"
            problem = f"is about persons, for which the act names is needed; {who} does not have it"
            raise ApiProblem("forbidden", where, problem, "names")


def asker_of(request: Request) -> Asker:
    acts = request.headers.get(ACTS_HEADER, "").split()
    return Asker(unquote(request.headers.get(NAME_HEADER, "")), frozenset(act for act in ACTS if act in acts))


Asking = Annotated[Asker, Depends(asker_of)]
