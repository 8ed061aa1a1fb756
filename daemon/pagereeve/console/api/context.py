"""What every question is answered with: the journal's reading half and the site."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from typing import Annotated

from fastapi import Depends, FastAPI, Request

from pagereeve.console.api.shared import Shared
from pagereeve.console.api.site import AskedSite
from pagereeve.console.api.spool import Spools
from pagereeve.console.api.told_clock import told_clock
from pagereeve.console.api.turns import Turns
from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.ports.reads import Reads


@dataclass(slots=True)
class OpenStreams:
    """How many answers go on without an end."""

    open: int = 0

    @contextmanager
    def one(self) -> Iterator[None]:
        self.open += 1
        try:
            yield
        finally:
            self.open -= 1


def _unsaid(_: str) -> str:
    return "of unknown version"


@dataclass(frozen=True, slots=True)
class ApiContext:
    """``now_us`` is the daemon's clock, microseconds since 1970; ``glossary`` the document of that name;
    ``zone_database`` the version of the files that a zone comes from; ``example`` the text of contrib/example.toml.
    """

    reads: Reads
    site: AskedSite
    now_us: Callable[[], int]
    glossary: str = ""
    zone_database: Callable[[str], str] = _unsaid
    example: str = ""
    turns: Turns = field(default_factory=Turns)
    spools: Spools = field(default_factory=Spools)
    shared: Shared = field(default_factory=Shared)
    streams: OpenStreams = field(default_factory=OpenStreams)

    def __post_init__(self) -> None:
        """Its questions share what is kept of the journal."""
        if self.reads.kept is None:
            self.reads.kept = KeptFacts()

    @asynccontextmanager
    async def question(self) -> AsyncIterator[Reads]:
        """Reads that all see one moment, in a turn of their own. Raises ApiProblem or JournalUnavailable."""
        async with self.turns.turn(), self.reads.snapshot() as held:
            yield held

    @asynccontextmanager
    async def look(self) -> AsyncIterator[Reads]:
        """Reads for what is asked of a row or two before a page is begun: is there such a thing? It does not wait for
        questions; but where one could not wait for its turn, it is refused here. Raises as ``question`` does.
        """
        async with self.turns.look(), self.reads.snapshot() as held:
            yield held

    @asynccontextmanager
    async def long_question(self) -> AsyncIterator[Reads]:
        """The same for one of few that take long. Raises ApiProblem or JournalUnavailable."""
        async with self.turns.long_turn(), self.reads.snapshot() as held:
            yield held


def put_context(app: FastAPI, context: ApiContext) -> None:
    app.state.context = context


def _context(request: Request) -> ApiContext:
    context: ApiContext = request.app.state.context
    told = told_clock(request.headers)
    return context if told is None else replace(context, now_us=told)


Context = Annotated[ApiContext, Depends(_context)]
