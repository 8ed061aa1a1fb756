"""The README, line by line, on a fresh copy of the checkout and in an empty home: what it says can be typed, works."""

from __future__ import annotations

import asyncio
import json
import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx2
import pytest

from tests.integration.daemon import until
from tests.integration.installation import COMMUNITY, Installation, an_installation
from tests.integration.readme_commands import (
    ADDRESSES,
    MAY_FIND,
    NOT_PLAYED,
    OTHERWISE,
    SERVICES,
    WITH_THE_DAEMON_STOPPED,
    block_commands,
    inline_commands,
    played,
)
from tests.integration.test_service_manager import free_ports

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMAND_S = 60.0

# What pipx and uv do, without the index: a wheel is built of the checkout and unpacked beside a Python of its own,
# and its command is put into the path. Everything else that it needs comes from the Python that runs this test.
INSTALL = """
set -e
{python} -m hatchling build -t wheel -d "$HOME/wheels" >&2
{python} -m venv --without-pip "$HOME/tool"
site=$("$HOME/tool/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
{python} -m zipfile -e "$HOME"/wheels/*.whl "$site"
echo {packages} > "$site/others.pth"
mkdir -p "$HOME/.local/bin"
printf '%s\\n' "#!$HOME/tool/bin/python" 'from pagereeve.cli import main' 'main()' > "$HOME/.local/bin/pagereeve"
chmod +x "$HOME/.local/bin/pagereeve"
"""
# Loading what a command needs takes longer than most commands: here it is loaded once, and each command has a process.
LOADED = """
import importlib, json, os, sys
from pagereeve.cli import COMMANDS, status_of
for _, place, _ in COMMANDS:
    importlib.import_module("pagereeve.cli." + place.partition(":")[0])
for line in sys.stdin:
    words, out = json.loads(line)
    child = os.fork()
    if not child:
        os.dup2(os.open(out, os.O_WRONLY | os.O_CREAT), 1)
        os.dup2(1, 2)
        status = status_of(words)
        sys.stdout.flush()
        os._exit(status)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
# curl's part in the README's line, for machines without it: what was typed reaches the daemon as it stands.
CURL = """#!{python}
import sys, urllib.request
silent, url, _, kind, _, wait, _, body = sys.argv[1:]
headers = dict(one.split(": ", 1) for one in (kind, wait))
request = urllib.request.Request(url, body.encode(), headers)
print(urllib.request.urlopen(request, timeout=15).read().decode())
"""


@dataclass
class Newcomer:
    """Somebody with a copy of the checkout, an empty home, and the printer of a simulated installation."""

    clone: Path
    home: Path
    here: Installation
    ports: dict[str, int]
    daemon: asyncio.subprocess.Process | None = None

    @property
    def config(self) -> Path:
        return self.clone / "pagereeve.toml"

    def filled(self, command: str) -> str:
        target = self.here.plan.target
        return played(command).format(
            forward=f"{target.host}:{target.port}",
            http=f"127.0.0.1:{self.ports['http']}",
            home=self.home,
            daemon=self.daemon.pid if self.daemon else "",
            install=INSTALL.format(
                python=shlex.quote(sys.executable), packages=shlex.quote(sysconfig.get_path("purelib"))
            ),
        )

    async def start(self, command: str) -> asyncio.subprocess.Process:
        return await self.process("bash", "-c", self.filled(command))

    async def process(self, *argv: str) -> asyncio.subprocess.Process:
        environment = {
            "HOME": str(self.home),
            "PATH": f"{self.home}/.local/bin:{os.environ['PATH']}",
            # In the place of the system's settings file, which a test does not write.
            "PAGEREEVE_SETTINGS": str(self.config),
            "LC_ALL": "C.UTF-8",
        }
        return await asyncio.create_subprocess_exec(
            *argv,
            cwd=self.clone,
            env=environment,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )

    async def does(self, command: str) -> str:
        """What it printed; its status must be one that the README leads to expect."""
        process = await self.start(command)
        out, _ = await asyncio.wait_for(process.communicate(b""), COMMAND_S)
        return judged(command, process.returncode, out.decode())

    async def do(self, commands: list[str]) -> dict[str, str]:
        """What each printed, one after the other."""
        printed, out = {}, self.home / "printed"
        loaded = await self.process(f"{self.home}/tool/bin/python", "-c", LOADED)
        assert loaded.stdin is not None
        assert loaded.stdout is not None
        for command in commands:
            if set(self.filled(command)) & set(">&") or not command.startswith("pagereeve"):
                printed[command] = await self.does(command)
                continue
            loaded.stdin.write(json.dumps([shlex.split(self.filled(command))[1:], str(out)]).encode() + b"\n")
            status = await asyncio.wait_for(loaded.stdout.readline(), COMMAND_S)
            printed[command] = judged(command, int(status), out.read_text())
            out.unlink()
        loaded.stdin.close()
        assert await loaded.wait() == 0
        return printed

    def writes_settings(self) -> None:
        """An operator's changes of the printed file: an example's line is uncommented, or gets the site's value."""
        target = self.here.plan.target
        text = self.config.read_text(encoding="utf-8")
        changes = [
            ('#data_dir = "/var/lib/pagereeve"', f'data_dir = "{self.home}/data"'),
            ('#listen = "127.0.0.1:8731"', f'listen = "127.0.0.1:{self.ports["http"]}"'),
            ('listen = "127.0.0.1:9130"', f'listen = "127.0.0.1:{self.ports["lines"]}"'),
            ('#[[relays]]\n#name = "hall-badges"', '[[relays]]\nname = "hall-badges"\ngateway = "library-gw"'),
            ('#listen = "127.0.0.1:9131"', f'listen = "127.0.0.1:{self.ports["relay"]}"'),
            ('#forward_to = "192.0.2.20:9131"', f'forward_to = "127.0.0.1:{self.ports["server"]}"'),
            ('#settle = "10s"', 'settle = "400ms"'),
            ('\nhost = "192.0.2.10"\n#port = 161', f'\nhost = "{target.host}"\nport = {target.port}'),
            ('#community_file = "secrets/library-1"', 'community_file = "secrets/library-1"'),
            ("#print_port = 9100", f"print_port = {self.here.plan.print_port}"),
            ('#include = ["printers.d/*.toml", "printers.csv"]', 'include = ["printers.d/*.toml"]'),
            ('#[[alerts.syslogs]]\n#name = "collector"', '[[alerts.syslogs]]\nname = "collector"'),
            (
                '#server = "log.college.example:514"',
                f'transport = "udp"\nserver = "127.0.0.1:{self.ports["collector"]}"',
            ),
        ]
        for shown, wanted in changes:
            assert text.count(shown) == 1, shown
            text = text.replace(shown, wanted)
        rates = text[text.index("#[[rates]]") :].partition("#]\n")[0] + "#]\n"
        # A price for printers of a class that no printer here has is an error.
        priced = "".join(line for line in rates.splitlines(keepends=True) if "price_class" not in line)
        text = text.replace(rates, priced.replace("\n#", "\n").removeprefix("#"))
        self.config.write_text(text, encoding="utf-8")

    async def runs(self, command: str) -> None:
        self.daemon = await self.start(command)

        async def ready() -> bool | None:
            assert self.daemon is not None
            assert self.daemon.returncode is None
            async with httpx2.AsyncClient() as client:
                try:
                    answer = await client.get(f"http://127.0.0.1:{self.ports['http']}/readyz")
                except httpx2.TransportError:
                    return None
                return answer.status_code == httpx2.codes.OK or None

        await until(ready, "a daemon that is ready")

    async def stops(self) -> None:
        assert self.daemon is not None
        self.daemon.send_signal(signal.SIGTERM)
        out, _ = await asyncio.wait_for(self.daemon.communicate(), COMMAND_S)
        assert self.daemon.returncode == 0, out.decode()


def judged(command: str, status: int | None, printed: str) -> str:
    assert status in ({0, 1} if command in MAY_FIND else {0}), f"{command}\nstatus {status}\n{printed}"
    return printed


def copied(clone: Path) -> None:
    """What a clone of the present state would hold, without its tests."""
    for name in ("daemon", "dashboards", "contrib"):
        shutil.copytree(
            ROOT / name, clone / name, ignore=shutil.ignore_patterns("__pycache__", "*.so", "compiled.json")
        )
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, clone / name)


def furnished(clone: Path) -> None:
    """The environment that contrib/try would make here, of the packages that are there already."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", clone / ".venv"], check=True)
    (site,) = clone.glob(".venv/lib/python*/site-packages")
    (site / "others.pth").write_text(f"{sysconfig.get_path('purelib')}\n{clone / 'daemon'}\n")
    command = clone / ".venv/bin/pagereeve"
    command.write_text(f"#!{clone}/.venv/bin/python\nfrom pagereeve.cli import main\nmain()\n")
    command.chmod(0o755)
    stamp = 'source contrib/environment.sh; sums="$("$(find_python)" --version) $ROOT '
    stamp += '$(cat contrib/*.lock pyproject.toml | sha256sum)"; echo "runtime $sums" > .venv/made-from'
    subprocess.run(["bash", "-c", stamp], cwd=clone, check=True)


@pytest.fixture
async def newcomer(tmp_path: Path) -> AsyncIterator[Newcomer]:
    clone, home = tmp_path / "clone", tmp_path / "home"
    commands = home / ".local/bin"
    commands.mkdir(parents=True)
    (commands / "curl").write_text(CURL.format(python=sys.executable))
    (commands / "curl").chmod(0o755)
    copied(clone)
    furnished(clone)
    (clone / "secrets").mkdir()
    (clone / "secrets/library-1").write_text(f"{COMMUNITY}\n")
    (clone / "secrets/library-1").chmod(0o600)
    ports = dict(zip(("http", "lines", "relay", "server", "collector"), free_ports(5), strict=True))
    # A collector that listens: syslog over UDP has no other answer.
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as collector:
        collector.bind(("127.0.0.1", ports["collector"]))
        async with a_newcomer(clone, home, ports) as one:
            yield one


@asynccontextmanager
async def a_newcomer(clone: Path, home: Path, ports: dict[str, int]) -> AsyncIterator[Newcomer]:
    async with an_installation() as here:
        one = Newcomer(clone, home, here, ports)
        yield one
        if one.daemon is not None and one.daemon.returncode is None:
            one.daemon.kill()
            await one.daemon.wait()


def test_what_is_played_otherwise_stands_in_the_readme() -> None:
    """A line that is gone, or changed, must not leave its exception behind."""
    commands = [*block_commands(README), *inline_commands(README)]
    assert len(commands) > 30
    named = {one.shown for one in OTHERWISE} | set(NOT_PLAYED) | set(SERVICES) | set(WITH_THE_DAEMON_STOPPED)
    assert sorted((named | set(MAY_FIND)) - set(commands)) == []
    assert [one.shown for one in ADDRESSES if not any(one.shown in command for command in commands)] == []


async def in_order(newcomer: Newcomer) -> dict[str, str]:
    """The blocks, in their order: install, the first printer, the daemon, a notice."""
    printed = {}
    for command in block_commands(README):
        if command.startswith("pagereeve read"):
            newcomer.writes_settings()
        if command in SERVICES:
            await newcomer.runs(command)
        elif command not in NOT_PLAYED:
            printed[command] = await newcomer.does(command)
    return printed


async def test_every_command_of_the_readme_works_as_it_stands(newcomer: Newcomer) -> None:
    printed = await in_order(newcomer)
    assert "The meter can be used." in next(out for command, out in printed.items() if "pagereeve read" in command)
    assert len(newcomer.here.engine.truth) == 6
    options = {word for command in NOT_PLAYED if command.startswith("contrib/try ") for word in command.split()[1:]}
    assert [one for one in options if one not in printed["contrib/try"]] == []
    apart = {*NOT_PLAYED, *SERVICES, *WITH_THE_DAEMON_STOPPED}
    printed |= await newcomer.do([one for one in inline_commands(README) if one not in apart])
    assert "user-anise" in printed["pagereeve explain RELEASE"]
    relay = await newcomer.start("pagereeve relay")
    await newcomer.stops()
    await newcomer.do(list(WITH_THE_DAEMON_STOPPED))
    assert relay.returncode is None
    relay.terminate()
    out, _ = await asyncio.wait_for(relay.communicate(), COMMAND_S)
    assert relay.returncode == 0, out.decode()
