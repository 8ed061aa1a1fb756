"""`pagereeve simulate` as somebody uses it who writes a release server: printers, a daemon, a release, a jam."""

from __future__ import annotations

import asyncio
import re
import signal
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.acceptance.process import Daemon
from tests.integration.processes import free_tcp_port

CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
START_S = 30.0
END_S = 20.0


async def begun(*words: str, stdin: int = asyncio.subprocess.DEVNULL) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", CODE, *words),
        stdin=stdin,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )


async def said(*words: str) -> tuple[int, str]:
    process = await begun(*words)
    async with asyncio.timeout(60):
        out, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode()


async def until(process: asyncio.subprocess.Process, words: str) -> str:
    """What it printed up to the line that holds these words."""
    assert process.stdout is not None
    lines = ""
    async with asyncio.timeout(START_S):
        while words not in lines:
            line = (await process.stdout.readline()).decode()
            assert line, lines
            lines += line
    return lines


@asynccontextmanager
async def simulation(*options: str) -> AsyncIterator[tuple[asyncio.subprocess.Process, str]]:
    """Up, with what it printed. Whoever ended it before the end is right."""
    process = await begun("simulate", *options, stdin=asyncio.subprocess.PIPE)
    try:
        yield process, await until(process, "simulate print")
    finally:
        if process.returncode is None:
            process.terminate()
        async with asyncio.timeout(END_S):
            await process.communicate()


async def found(kind: str, config: Path) -> str:
    text = ""
    for _ in range(60):
        _, text = await said("findings", "--kind", kind, "--config", str(config))
        if kind in text and "1 finding" in text:
            return text
        await asyncio.sleep(0.5)
    raise AssertionError(text)


@pytest.mark.timeout(180)
async def test_a_release_and_a_jam_as_an_integrator_tries_them() -> None:
    with TemporaryDirectory() as folder:
        base, port = Path(folder), free_tcp_port()
        config, control = base / "simulate.toml", ("--control", str(base / "control"))
        options = ("--printers", "3", "--settings", str(config), "--daemon", f"127.0.0.1:{port}", *control)
        async with simulation(*options) as (process, shown):
            assert re.search(
                r"^library-upper +127\.0\.0\.1:\d+ +wrenfield-read +\d+ +library +\d+ *$", shown, re.MULTILINE
            )
            daemon = Daemon(config, port)
            await daemon.start()
            try:
                await try_it(config, control)
                assert process.stdin is not None
                process.stdin.write(b"library-upper sleep\nnobody jam\n")
                typed = await until(process, "not done: nobody is no printer")
                assert "library-upper: asleep" in typed
            finally:
                assert await daemon.end(signal.SIGTERM) == 0
            process.send_signal(signal.SIGTERM)
            async with asyncio.timeout(END_S):
                assert await process.wait() == 0
        assert not (base / "control").exists()


async def try_it(config: Path, control: Sequence[str]) -> None:
    status, text = await said("read", "--all", "--config", str(config))
    assert (status, "3 can be used, 0 can't" in text) == (0, True), text
    release = ("simulate", "print", "library-ground", "--pages", "3", "--copies", "2", "--two-sided", *control)
    status, text = await said(*release)
    assert status == 0, text
    assert "3 pages, 2 copies, two-sided: completed" in text
    assert "3 events acknowledged" in text
    status, text = await said("simulate", "tell", "library-ground", "explode", *control)
    assert (status, "'explode' is no act. There are: jam, clear" in text) == (2, True)
    await said("simulate", "tell", "library-upper", "jam", *control)
    await said("simulate", "print", "library-upper", "--pages", "4", "--owner", "user-birch", *control)
    await asyncio.sleep(2)
    await said("simulate", "tell", "library-upper", "clear", *control)
    text = await found("shortfall", config)
    assert "3 impressions counted, 4 expected" in text
    name = re.search(r"release (\S+\.1) of", text)
    assert name is not None
    status, text = await said("explain", name[1], "--config", str(config))
    assert (status, "by user-birch" in text) == (0, True), text
    proof = ("prove", "science-lab", "--print", "--yes", "--quiet", "0", "--config", str(config))
    (status, text), (worries, doctor) = await asyncio.gather(said(*proof), said("doctor", "--config", str(config)))
    assert (status, "passed" in text) == (0, True), text
    assert (worries, "1 finding is open: 1 shortfall" in doctor) == (1, True), doctor


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
async def test_a_signal_ends_it(number: signal.Signals, tmp_path: Path) -> None:
    async with simulation("--printers", "1", "--control", str(tmp_path / "c")) as (process, _):
        process.send_signal(number)
        async with asyncio.timeout(END_S):
            await process.communicate()
        assert process.returncode == 0
