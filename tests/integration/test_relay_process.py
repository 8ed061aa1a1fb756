"""`pagereeve relay` as a process of its own."""

from __future__ import annotations

import asyncio
import os
import resource
import signal
import sys
from pathlib import Path

from tests.acceptance.process import a_free_port
from tests.relaying import DaemonEnd, ReleaseServer, listening

CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


async def test_it_forwards_copies_survives_sighup_and_ends_in_order(tmp_path: Path) -> None:
    server, port = ReleaseServer(answer=lambda piece: piece), a_free_port()
    async with listening(server.serve) as target:
        config = tmp_path / "pagereeve.toml"
        row = f'[[relays]]\nname = "badges"\nlisten = "127.0.0.1:{port}"\nforward_to = "{target}"\nterminator = "lf"\n'
        config.write_text(f'data_dir = "{tmp_path}"\n{row}[[printers]]\nnonsense = true\n')
        running = await asyncio.create_subprocess_exec(
            sys.executable, "-c", CODE, "relay", "--config", str(config), stderr=asyncio.subprocess.PIPE
        )
        try:
            daemon, _ = await DaemonEnd.at(tmp_path, "badges")
            limits = resource.prlimit(running.pid, resource.RLIMIT_CORE)
            assert limits == (0, 0), "a core file would hold badge numbers"
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            os.kill(running.pid, signal.SIGHUP)
            writer.write(b"0042\n")
            assert await asyncio.wait_for(reader.readexactly(5), 5) == b"0042\n"
            assert await daemon.read(1) == ["0042"]
            daemon.all_done()
            running.terminate()
            _, logged = await asyncio.wait_for(running.communicate(), 10)
        finally:
            if running.returncode is None:
                running.kill()
                await running.wait()
        daemon.close()
        writer.close()
    assert running.returncode == 0
    assert b"0042" not in logged
    assert b"stopping" in logged
    assert {path.name for path in Path(tmp_path).iterdir()} == {"pagereeve.toml"}  # noqa: ASYNC240 - a test


async def test_without_relays_it_says_so(tmp_path: Path) -> None:
    config = tmp_path / "pagereeve.toml"
    config.write_text("")
    running = await asyncio.create_subprocess_exec(
        sys.executable, "-c", CODE, "relay", "--config", str(config), stderr=asyncio.subprocess.PIPE
    )
    _, said = await asyncio.wait_for(running.communicate(), 20)
    assert running.returncode == 2
    assert b"names no [[relays]]" in said


async def test_what_it_loads_is_small(tmp_path: Path) -> None:
    """No web server, no database, no SNMP, nothing of what pages mean: what is not there can't break."""
    code = "import sys, pagereeve.cli.relay; print(*sorted(sys.modules))"
    running = await asyncio.create_subprocess_exec(sys.executable, "-c", code, stdout=asyncio.subprocess.PIPE)
    said, _ = await asyncio.wait_for(running.communicate(), 20)
    loaded = said.decode().split()
    for foreign in ("sqlalchemy", "sqlite3", "starlette", "uvicorn", "pysnmp", "prometheus_client", "httpx2"):
        assert foreign not in loaded
    ours = {name.split(".")[1] for name in loaded if name.startswith("pagereeve.")}
    assert ours == {"cli", "relay", "ports", "telemetry", "domain"}
    assert {name for name in loaded if name.startswith("pagereeve.domain.")} <= {
        "pagereeve.domain.values",
        "pagereeve.domain.values.amounts",
        "pagereeve.domain.values.errors",
        "pagereeve.domain.values.instants",
        "pagereeve.domain.values.ordinals",
        "pagereeve.domain.values.plain_text",
        "pagereeve.domain.values.splitting",
    }
