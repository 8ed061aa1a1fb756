"""Waiting for queues to be worked off, without hanging where a worker has died."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import Any


async def worked_off(queues: Iterable[asyncio.Queue[Any]], workers: Iterable[asyncio.Task[None]]) -> None:
    """Until every queue is done with; a worker that ends before raises what ended it."""
    joined = asyncio.gather(*(queue.join() for queue in queues))
    watched = set(workers)
    either: set[asyncio.Future[Any]] = {joined, *watched}
    await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
    if joined.done():
        return
    joined.cancel()
    await asyncio.gather(joined, return_exceptions=True)
    for worker in watched:
        if worker.done():
            worker.result()


async def ended(workers: Iterable[asyncio.Task[None]]) -> None:
    """Cancel the workers and wait for their end; one that had failed before raises its error."""
    tasks = list(workers)
    for task in tasks:
        task.cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result
