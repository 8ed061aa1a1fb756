"""What the demo prints at its end can be typed as it stands; and however it ends, nothing stays behind."""

from __future__ import annotations

import asyncio
import os
import pty
import shlex
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx2
import pytest

from pagereeve.demo.advice import ADVISED
from tests.integration.processes import free_tcp_port

CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
START_S = 40.0
END_S = 30.0


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "TMPDIR": str(folder), "TERM": "xterm"}


def names_in(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


def lines_of(file: Path) -> list[str]:
    return file.read_text(encoding="utf-8").split() if file.exists() else []


def made(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    return folder


@asynccontextmanager
async def demo(folder: Path, *options: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """Without a terminal; its own folder is made in ``folder``."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", CODE, "demo", *options),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
        env=environment(made(folder)),
        start_new_session=True,
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            os.killpg(process.pid, signal.SIGKILL)
            await process.wait()


async def until(process: asyncio.subprocess.Process, words: str, within_s: float) -> list[str]:
    """The lines up to the one that holds these words."""
    assert process.stdout is not None
    lines: list[str] = []
    async with asyncio.timeout(within_s):
        while not (lines and words in lines[-1]):
            line = (await process.stdout.readline()).decode()
            assert line, "".join(lines)[-4000:]
            lines.append(line.rstrip("\n"))
    return lines


async def typed(line: str) -> tuple[str, int, str]:
    process = await asyncio.create_subprocess_exec(
        *("bash", "-c", line),
        cwd="/",
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    async with asyncio.timeout(90):
        out, _ = await process.communicate()
    return line, process.returncode or 0, out.decode()


@pytest.mark.timeout(240)
async def test_every_command_that_a_kept_demo_prints_can_be_pasted() -> None:
    """In a folder whose name a shell would take apart."""
    with TemporaryDirectory() as base:
        await played_and_typed(Path(base) / "it's a folder")


async def played_and_typed(folder: Path) -> None:
    async with demo(folder, "--length", "42", "--seed", "3", "--keep", "--all") as process:
        told = await until(process, "check-config", within_s=110)
        text = "\n".join(told)
        for part in ("All found, nothing else, every page accounted for.", "nothing differs", "found surplus at"):
            assert part in text
        commands = [line.strip() for line in told if line.startswith("  ") and "pagereeve.toml" in line]
        assert len(commands) == len(ADVISED)
        address = next(line for line in told if "Still running" in line).split()[3]
        async with httpx2.AsyncClient() as client:
            page = await client.get(address)
        assert page.status_code == 200
        assert "/metrics" in page.text
        for line, status, out in await asyncio.gather(*map(typed, commands)):
            wrong = "doctor" in line or "findings --config" in line
            assert status == (1 if wrong else 0), f"{line}: {status}\n{out}"
            assert out
        process.send_signal(signal.SIGHUP)
        removal = (await until(process, "rm -r", END_S))[-1]
        async with asyncio.timeout(END_S):
            assert await process.wait() == 0
    (kept,) = names_in(folder)
    assert "pagereeve.toml" in names_in(folder / kept)
    assert shlex.split(removal)[-1] == str(folder / kept)
    _, status, _ = await typed(removal)
    assert (status, names_in(folder)) == (0, [])


async def ended_by(number: signal.Signals, folder: Path) -> None:
    async with demo(folder) as process:
        await until(process, "faults are planted", START_S)
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        (relay,) = lines_of(children)
        assert names_in(folder) != []
        process.send_signal(number)
        async with asyncio.timeout(END_S):
            rest, _ = await process.communicate()
    assert process.returncode == 128 + number
    assert "Traceback" not in rest.decode()
    assert lines_of(Path(f"/proc/{relay}/cmdline")) == []
    assert names_in(folder) == []


async def test_a_signal_ends_it_with_all_that_it_began() -> None:
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    with TemporaryDirectory() as base:
        await asyncio.gather(*(ended_by(number, Path(base) / number.name) for number in numbers))


def closed_terminal(folder: Path) -> int:
    """The status of a demo whose terminal is closed in the middle of the day."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.execve(sys.executable, [sys.executable, "-c", CODE, "demo"], environment(folder))
    seen = b""
    while b"faults are planted" not in seen:
        seen += os.read(terminal, 65_536)
    assert names_in(folder) != []
    os.close(terminal)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status)


def test_a_terminal_that_is_closed_ends_it() -> None:
    with TemporaryDirectory() as base:
        assert closed_terminal(Path(base)) == 128 + signal.SIGHUP
        assert names_in(Path(base)) == []


async def test_a_port_in_use_is_one_line(tmp_path: Path) -> None:
    port = free_tcp_port()
    server = await asyncio.start_server(lambda _, __: None, "127.0.0.1", port)
    async with server, demo(tmp_path / "t", "--http-port", str(port)) as process:
        out, _ = await process.communicate()
    assert process.returncode == 2
    assert out.decode().splitlines() == [
        f"pagereeve: port {port} is in use on 127.0.0.1; give another --http-port, or leave it out for a free one"
    ]
    assert names_in(tmp_path / "t") == []
