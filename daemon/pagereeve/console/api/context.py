"""What every question is answered with: the journal's reading half and the site."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, FastAPI, Request

from pagereeve.console.api.site import AskedSite
from pagereeve.console.api.turns import Turns
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


@dataclass(frozen=True, slots=True)
class ApiContext:
    """``now_us`` is our clock, microseconds since 1970; ``glossary`` the document of that name."""

    reads: Reads
    site: AskedSite
    now_us: Callable[[], int]
    glossary: str = ""
    turns: Turns = field(default_factory=Turns)
    streams: OpenStreams = field(default_factory=OpenStreams)

    @asynccontextmanager
    async def question(self) -> AsyncIterator[Reads]:
        """Reads that all see one moment, in a turn of their own. Raises ApiProblem or JournalUnavailable."""
        async with self.turns.turn(), self.reads.snapshot() as held:
            yield held


def put_context(app: FastAPI, context: ApiContext) -> None:
    app.state.context = context


def _context(request: Request) -> ApiContext:
    context: ApiContext = request.app.state.context
    return context


Context = Annotated[ApiContext, Depends(_context)]
