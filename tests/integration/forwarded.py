"""A centre that speaks the real format over real HTTP, and keeps what it joins in memory."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pagereeve.domain.forwarding.batch import Batch, read_batch
from pagereeve.domain.forwarding.refusal import BatchRefused
from tests.forwarding import KeepingCentre, KeptOrigin
from tests.integration.webserver import Request, WebServer, status, web_server

TOKEN = "a-token-of-twenty-two-characters-and-more"
STATUSES = {"gap": "409 Conflict", "fork": "409 Conflict", "wrong-origin": "403 Forbidden"}


@dataclass
class SpokenCentre:
    """``loses``: so many answers never come after the commit; ``site`` is whose the token is."""

    web: WebServer = field(default_factory=WebServer)
    kept: KeepingCentre = field(default_factory=KeepingCentre)
    site: str = "annex"
    loses: int = 0
    batches: list[Batch] = field(default_factory=list)

    def answer(self, request: Request) -> bytes:
        assert (request.method, request.path) == ("POST", "/v1/forward")
        if request.headers.get("authorization") != f"Bearer {TOKEN}":
            return status("401 Unauthorized", body=b'{"detail":"no credential has this token"}')
        try:
            batch = read_batch(request.body)
            self.batches.append(batch)
            self.kept.join(batch, self.site)
        except BatchRefused as error:
            members = {"cause": error.cause, "detail": error.problem, "has": error.has}
            return status(STATUSES.get(error.cause, "422 Unprocessable"), body=json.dumps(members).encode())
        if self.loses and batch.facts:
            self.loses -= 1
            # A line of a head, and then nothing more: the connection is reset as the link is cut.
            return b"HTTP/1.1 200"
        facts = self.of(batch.origin).facts
        last = facts[-1].sealed if facts else None
        told = None if last is None else {"timeline": last.timeline, "seq": last.seq, "link": last.link.hex()}
        seqs = {one.sealed.timeline: one.sealed.seq for one in facts if one.sealed.timeline in batch.links}
        return status("200 OK", body=json.dumps({"has": len(facts), "last": told, "seqs": seqs}).encode())

    def of(self, origin: str) -> KeptOrigin:
        return self.kept.origins.get(origin) or KeptOrigin(self.site)

    @property
    def held(self) -> int:
        return sum(len(kept.facts) for kept in self.kept.origins.values())


@asynccontextmanager
async def spoken_centre() -> AsyncIterator[SpokenCentre]:
    async with web_server() as web:
        centre = SpokenCentre(web)
        web.answer = centre.answer
        yield centre
