"""How a program that people watch ends: Ctrl-C, SIGTERM, a terminal that goes away. What it began ends with it."""

from __future__ import annotations

import asyncio
import errno
import os
import signal
from collections.abc import Awaitable, Sequence
from typing import Final

# Where results and complaints go (POSIX.1, unistd.h).
OUTPUTS: Final = (1, 2)
ENDING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
# A shell's status of what a signal ended is this and the signal's number.
BY_SIGNAL: Final = 128


class Ending:
    """The first signal cancels the task that runs, until ``rest``: from then on it only ends the rest."""

    def __init__(self) -> None:
        self._task: asyncio.Task[int] | None = None
        self._told: signal.Signals | None = None
        self._resting = asyncio.Event()
        self._is_resting = False
        # Afterwards nothing tells that it was one.
        self._terminal = tuple(one for one in OUTPUTS if os.isatty(one))

    async def over(self, work: Awaitable[int]) -> int:
        """What the work returns, or 128 and the number of the signal that ended it, once it has cleaned up."""

        async def whole() -> int:
            return await work

        loop = asyncio.get_running_loop()
        self._task = loop.create_task(whole())
        for number in ENDING:
            # Whoever began us with nohup wants us to go on.
            if signal.getsignal(number) is not signal.SIG_IGN:
                loop.add_signal_handler(number, self._end, number)
        try:
            return await self._task
        except asyncio.CancelledError:
            if self._told is None:
                raise
            return BY_SIGNAL + self._told
        except OSError as error:
            if not _terminal_is_gone(error):
                raise
            leave_terminal(self._terminal)
            return BY_SIGNAL + signal.SIGHUP

    async def rest(self) -> None:
        """Until somebody ends it."""
        self._is_resting = True
        await self._resting.wait()

    def end_rest(self) -> None:
        self._resting.set()

    def _end(self, number: signal.Signals) -> None:
        if number == signal.SIGHUP:
            leave_terminal(self._terminal)
        if self._is_resting:
            self._resting.set()
        elif self._told is None and self._task is not None:
            self._told = number
            self._task.cancel()


def _terminal_is_gone(error: OSError) -> bool:
    """Writing to it fails so, and SIGHUP may come later or not at all."""
    return error.errno == errno.EIO and error.filename is None


def leave_terminal(descriptors: Sequence[int]) -> None:
    """It is gone, or will be: what is still written to it goes nowhere, and fails nobody."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for one in descriptors:
        os.dup2(nowhere, one)
    os.close(nowhere)
