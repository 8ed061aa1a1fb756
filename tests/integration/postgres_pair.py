"""Two PostgreSQL servers of a test's own: a primary, and a standby that has each commit before it is answered."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from pagereeve.store.postgres.address import Address
from tests.integration.postgres_server import PROGRAMS, START_S, Server, as_its_user, its_user, made
from tests.integration.processes import free_tcp_port

STANDBY = "standby"


@dataclass(slots=True)
class Pair:
    """``url`` names both, whichever takes writes."""

    primary: Server
    standby: Server

    def url(self, address: Address) -> str:
        places = ",".join(f"{one.address.host}:{one.address.port}" for one in (self.primary, self.standby))
        return f"postgresql://{address.user}@{places}/{address.database}?target_session_attrs=read-write"

    def fail_over(self) -> None:
        """The primary dies with all its processes; what is no part of it makes the standby the primary."""
        self.primary.die()
        self.take_over()

    def take_over(self) -> None:
        assert self.standby.run("SELECT pg_promote()") == "t"


@contextmanager
def pair() -> Iterator[Pair]:
    folder = Path(tempfile.mkdtemp(prefix="pagereeve-postgres-"))
    try:
        if (user := its_user()) is not None:
            os.chown(folder, user.pw_uid, user.pw_gid)
        (folder / "one").mkdir()
        primary = made(folder / "one")
        primary.start()
        try:
            standby = _copied(primary, folder / "two")
            standby.start()
            try:
                _wait_for(primary)
                yield Pair(primary, standby)
            finally:
                standby.stop()
        finally:
            primary.stop()
    finally:
        shutil.rmtree(folder)


def _copied(primary: Server, folder: Path) -> Server:
    folder.mkdir()
    if (user := its_user()) is not None:
        os.chown(folder, user.pw_uid, user.pw_gid)
    one, data = primary.address, folder / "data"
    argv = [str(PROGRAMS / "pg_basebackup"), "-h", one.host, "-p", str(one.port), "-U", one.user or "", "-D", str(data)]
    environment = {**os.environ, "PGPASSWORD": one.password or ""}
    options = ["--write-recovery-conf", "--checkpoint=fast", "--no-sync"]
    subprocess.run(as_its_user([*argv, *options]), check=True, capture_output=True, env=environment, cwd="/")
    # By this name the primary knows it.
    return Server(replace(one, port=free_tcp_port()), data, {"cluster_name": STANDBY})


def _wait_for(primary: Server) -> None:
    """Until no commit is answered that the standby does not have."""
    primary.run(f"ALTER SYSTEM SET synchronous_standby_names = '{STANDBY}'")
    primary.run("SELECT pg_reload_conf()")
    deadline = time.monotonic() + START_S
    while primary.run("SELECT sync_state FROM pg_stat_replication") != "sync":
        assert time.monotonic() < deadline
        time.sleep(0.05)
