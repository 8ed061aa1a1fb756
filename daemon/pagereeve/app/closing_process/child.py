"""The process that packs a period: ``python -m pagereeve.app.closing_process.child``, asked on its standard input.

It ends with that input, so that no daemon that is killed leaves one behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import threading
from typing import BinaryIO, Final

from pagereeve.app.closing import packed_period
from pagereeve.app.closing_process.messages import Answered, Asked, Ready, Refused, framed
from pagereeve.app.journals import reads_of
from pagereeve.ports.closing import Hindered, NotClosed
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import CantOpen
from pagereeve.telemetry.logs import set_up_logs

# Readings, notices and the journal's writer come first.
NICENESS: Final = 10


async def answer(asked: Asked, out: BinaryIO) -> None:
    try:
        async with await reads_of(asked.journal) as reads:
            closing, packed, touched = await packed_period(
                reads, asked.request(), asked.by, asked.now_us, asked.prices()
            )
    except (CantOpen, JournalUnavailable) as error:
        _say(out, Refused(text=str(error), unavailable=True))
    except Hindered as error:
        _say(out, Refused(text=str(error), hindrances=error.hindrances))
    except NotClosed as error:
        _say(out, Refused(text=str(error)))
    else:
        count = len(packed.parts)
        ready = Ready(closing=closing, rows=packed.rows, sha256=packed.sha256, touched=touched, parts=count)
        _say(out, ready)
        out.writelines(framed(part) for part in packed.parts)
    out.flush()


def _say(out: BinaryIO, head: Refused | Ready) -> None:
    out.write(framed(Answered(head=head).model_dump_json().encode()))


def _end_with(stream: BinaryIO) -> None:
    """The daemon holds the other end as long as it waits for us."""
    stream.read(1)
    os._exit(1)


def main() -> None:
    # Ctrl-C at a terminal reaches the daemon too, which ends us in its order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    asked = Asked.read(sys.stdin.buffer)
    set_up_logs(asked.log.format, asked.log.level, sys.stderr)
    threading.Thread(target=_end_with, args=(sys.stdin.buffer,), daemon=True).start()
    asyncio.run(answer(asked, sys.stdout.buffer))


if __name__ == "__main__":
    main()
