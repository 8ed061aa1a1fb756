"""A process of ours that is to end."""

from __future__ import annotations

import asyncio
import contextlib


async def ended(process: asyncio.subprocess.Process, within_s: float) -> None:
    """It is asked to end, and has ``within_s`` for what it has in hand; then it is ended."""
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        async with asyncio.timeout(within_s):
            await process.wait()
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
