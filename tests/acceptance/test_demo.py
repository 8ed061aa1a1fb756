"""The demo, as somebody runs it who has no terminal: it plays the day, finds what was planted, and says so."""

from __future__ import annotations

import asyncio
import sys

CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


async def test_the_demo_finds_all_that_was_planted_and_nothing_else() -> None:
    argv = (sys.executable, "-c", CODE, "demo", "--length", "42", "--seed", "3")
    process = await asyncio.create_subprocess_exec(
        *argv, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    async with asyncio.timeout(110):
        out, _ = await process.communicate()
    text = out.decode()
    assert process.returncode == 0, text[-4000:]
    assert "All found, nothing else, every page accounted for." in text
    assert "nothing differs" in text
    kinds = ("surplus", "shortfall", "stray-pages", "conflicting-duplicate", "release-never-ended", "meter-silent")
    for kind in (*kinds, "wrong-responder", "meter-replaced", "meter-went-back", "unknown-printer"):
        assert kind in text
    assert "\x1b[" not in text
