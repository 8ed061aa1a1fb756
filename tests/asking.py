"""The API and the pages in this process, asked as a program would, by whoever is named."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

import httpx2

from pagereeve.app.shipped_files import EXAMPLE_SETTINGS, content_of
from pagereeve.app.zone_database import zone_database
from pagereeve.console.api.asker import headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.site import AskedSite
from pagereeve.console.application import make_console
from pagereeve.domain.credentials.callers import ANY_READER, Caller
from pagereeve.ports.reads import Reads
from tests.journal_samples import NOON_US

EXAMPLE: Final = content_of(EXAMPLE_SETTINGS).decode()
READER: Final = Caller("on-call", frozenset({"read"}))
ACCOUNTING: Final = Caller("accounting", frozenset({"read", "names", "decide"}))


@asynccontextmanager
async def asking(
    reads: Reads, caller: Caller = ANY_READER, site: AskedSite | None = None, now_us: int = NOON_US
) -> AsyncIterator[httpx2.AsyncClient]:
    context = ApiContext(reads, site or AskedSite(), lambda: now_us, zone_database=zone_database, example=EXAMPLE)
    transport = httpx2.ASGITransport(make_console(context), raise_app_exceptions=False)
    headers = {name.decode(): value.decode() for name, value in headers_of(caller)}
    async with httpx2.AsyncClient(transport=transport, base_url="http://query", headers=headers) as client:
        yield client
