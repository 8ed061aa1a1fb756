"""Debian's Patroni with etcd and two PostgreSQL servers, set up as contrib/patroni.yml says, all on loopback."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import yaml

from pagereeve.store.postgres.address import Address
from tests.integration.foreign import tool
from tests.integration.postgres_server import Server, as_its_user, its_user
from tests.integration.processes import free_tcp_port

EXAMPLE: Final = Path(__file__).parents[2] / "contrib" / "patroni.yml"
LONGEST_S: Final = 120.0
NAMES: Final = ("db1", "db2")


@dataclass
class Node:
    name: str
    folder: Path
    server: Server
    rest_port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        argv = [tool("patroni", "patroni"), str(self.folder / "config.yml")]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(as_its_user(argv), stdout=log, stderr=log, cwd="/")

    def says(self, path: str) -> int:
        """The status of its own answer; 0 without one."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.rest_port}{path}", timeout=5) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as error:
            return error.code
        except OSError:
            return 0

    def die(self) -> None:
        """As its machine does: Patroni first, lest it starts another server, then all of the server."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        pid = self.folder / "data" / "postmaster.pid"
        if not pid.exists():
            return
        parent = int(pid.read_text().split()[0])
        with suppress(FileNotFoundError, ProcessLookupError):
            children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
            for one in (parent, *map(int, children)):
                with suppress(ProcessLookupError):
                    os.kill(one, signal.SIGKILL)


@dataclass
class Cluster:
    nodes: list[Node] = field(default_factory=list)

    def leader(self) -> Node | None:
        return next((one for one in self.nodes if one.says("/primary") == 200), None)

    def has_synchronous(self) -> bool | None:
        return any(one.says("/synchronous") == 200 for one in self.nodes) or None

    def url(self, address: Address) -> str:
        places = ",".join(f"127.0.0.1:{one.server.address.port}" for one in self.nodes)
        return f"postgresql://{address.user}@{places}/{address.database}?target_session_attrs=read-write"


def wait_for(look: Callable[[], Any], what: str) -> Any:
    deadline = time.monotonic() + LONGEST_S
    while not (found := look()):
        assert time.monotonic() < deadline, f"waited {LONGEST_S} s in vain for {what}"
        time.sleep(0.2)
    return found


@contextmanager
def cluster() -> Iterator[Cluster]:
    folder = Path(tempfile.mkdtemp(prefix="pagereeve-patroni-"))
    made = Cluster()
    _give(folder)
    store, port = _etcd(folder)
    try:
        password = secrets.token_hex(16)
        for name in NAMES:
            made.nodes.append(_node(folder / name, name, password, port))
        for one in made.nodes:
            one.start()
        wait_for(made.leader, "a leader")
        wait_for(made.has_synchronous, "a synchronous standby")
        yield made
    finally:
        for one in made.nodes:
            if one.process is not None:
                one.die()
        store.kill()
        store.wait()
        shutil.rmtree(folder)


def _give(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    if (user := its_user()) is not None:
        os.chown(folder, user.pw_uid, user.pw_gid)


def _etcd(folder: Path) -> tuple[subprocess.Popen[bytes], int]:
    port, peers = free_tcp_port(), free_tcp_port()
    here, there = f"http://127.0.0.1:{port}", f"http://127.0.0.1:{peers}"
    argv = [tool("etcd", "etcd-server"), "--data-dir", str(folder / "etcd"), "--listen-client-urls", here]
    argv += ["--advertise-client-urls", here, "--listen-peer-urls", there, "--initial-advertise-peer-urls", there]
    argv += ["--initial-cluster", f"default={there}"]
    with (folder / "etcd.log").open("ab") as log:
        process = subprocess.Popen(as_its_user(argv), stdout=log, stderr=log, cwd="/")

    def healthy() -> bool:
        with suppress(OSError), urllib.request.urlopen(f"{here}/health", timeout=2) as answer:
            return bool(json.loads(answer.read())["health"] == "true")
        return False

    wait_for(healthy, "etcd")
    return process, port


def _node(folder: Path, name: str, password: str, etcd_port: int) -> Node:
    _give(folder)
    port, rest = free_tcp_port(), free_tcp_port()
    given = yaml.safe_load(EXAMPLE.read_text())
    given["name"], given["etcd3"]["hosts"] = name, f"127.0.0.1:{etcd_port}"
    given["restapi"] = {"listen": f"127.0.0.1:{rest}", "connect_address": f"127.0.0.1:{rest}"}
    postgresql = given["postgresql"]
    postgresql |= {"listen": f"127.0.0.1:{port}", "connect_address": f"127.0.0.1:{port}"}
    postgresql |= {"data_dir": str(folder / "data"), "pgpass": str(folder / "pgpass")}
    for one in postgresql["authentication"].values():
        one["password"] = password
    postgresql["pg_hba"] = [one.replace("192.0.2.0/24", "127.0.0.1/32") for one in postgresql["pg_hba"]]
    (folder / "config.yml").write_text(yaml.safe_dump(given))
    return Node(name, folder, Server(Address("127.0.0.1", "postgres", "postgres", password, port)), rest)
