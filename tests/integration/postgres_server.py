"""A PostgreSQL of the tests' own: one for each test process, durable as a real one, ended with it."""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final
from urllib.parse import quote, urlencode

from pagereeve.store.postgres.address import Address
from tests.integration.processes import free_tcp_port

GIVEN_URL: Final = "PAGEREEVE_TEST_POSTGRES_URL"
"""A server to use in the place of our own; its database is connected to for making others. The user must be a
superuser: what guards a journal is set aside to empty it. Tests that change the server, or read its files, have one of
their own.
"""
GIVEN: Final = os.environ.get(GIVEN_URL)
SERVER: Final = "/usr/lib/postgresql/15/bin/postgres"
CLIENT: Final = "/usr/lib/postgresql/15/bin/psql"
PROGRAMS: Final = Path(SERVER).parent
START_S: Final = 30.0
SETTINGS: Final = {
    "fsync": "on",
    "max_connections": "60",
    "shared_buffers": "32MB",
    "deadlock_timeout": "200ms",
    "unix_socket_directories": "",
    "listen_addresses": "127.0.0.1",
}
_EMPTY: Final = """SET session_replication_role = replica; SET synchronous_commit = off;
DO $$ DECLARE one regclass; BEGIN
FOR one IN SELECT oid FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
AND relname NOT IN ('alembic_version', 'schema_least') LOOP EXECUTE 'DELETE FROM ' || one; END LOOP; END $$"""


@dataclass(slots=True)
class Server:
    """``address`` is that of the database from which others are made. ``settings``: beside SETTINGS. ``within``: a
    command that runs it somewhere else.
    """

    address: Address
    data: Path | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    within: tuple[str, ...] = ()
    _process: subprocess.Popen[bytes] | None = None
    _names: Iterator[int] = field(default_factory=lambda: iter(range(1_000_000)))

    def new_database(self, options: str = "ENCODING 'UTF8' TEMPLATE template0") -> Address:
        name = f"pagereeve_{os.getpid()}_{next(self._names)}"
        self.run(f"CREATE DATABASE {name} {options}")
        return replace(self.address, database=name)

    def drop(self, address: Address) -> None:
        self.run(f"DROP DATABASE IF EXISTS {address.database} WITH (FORCE)")

    def empty(self, address: Address) -> None:
        """All that a journal holds goes; nobody has it open. No trigger guards it then."""
        self.run(_EMPTY, address.database)

    def run(self, statement: str, database: str | None = None) -> str:
        """As the server's own client says it: unaligned rows."""
        done = self._asked(statement, database)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    def refusal(self, statement: str, database: str | None = None) -> str:
        """What the server says to a statement that it refuses."""
        done = self._asked(statement, database)
        assert done.returncode, done.stdout
        return done.stderr

    def _asked(self, statement: str, database: str | None) -> subprocess.CompletedProcess[str]:
        one = self.address
        where = ["-h", one.host, "-p", str(one.port), "-U", one.user or "", "-d", database or one.database]
        argv = [CLIENT, "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", *where, "-c", statement]
        environment = {**os.environ, "PGPASSWORD": one.password or "", **_of_tls(one)}
        return subprocess.run(argv, capture_output=True, text=True, check=False, env=environment)

    @property
    def pid(self) -> int:
        """Of the process whose children are all others of the server."""
        assert self._process is not None
        return self._process.pid

    def stop(self, how: signal.Signals = signal.SIGQUIT) -> None:
        """SIGQUIT: at once, as after a crash (postgresql.org/docs/15/server-shutdown.html)."""
        assert self._process is not None
        self._process.send_signal(how)
        self._process.wait(START_S)

    def signal_all(self, signal: signal.Signals) -> None:
        """To the server and each process of it."""
        assert self._process is not None
        parent = self._process.pid
        children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
        for pid in (parent, *map(int, children)):
            # A session may just end.
            with suppress(ProcessLookupError):
                os.kill(pid, signal)

    def die(self) -> None:
        """As its machine does: no process of it does anything more."""
        self.signal_all(signal.SIGKILL)
        assert self._process is not None
        self._process.wait(START_S)

    def start(self) -> None:
        assert self.data is not None
        given = {**SETTINGS, **self.settings}
        options = [word for name, value in given.items() for word in ("-c", f"{name}={value}")]
        argv = [SERVER, "-D", str(self.data), "-p", str(self.address.port), *options]
        with (self.data.parent / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self.within, *as_its_user(argv)], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        deadline = time.monotonic() + START_S
        ready = [str(PROGRAMS / "pg_isready"), "-q", "-h", self.address.host, "-p", str(self.address.port)]
        while subprocess.run(ready, check=False).returncode:
            assert self._process.poll() is None, (self.data.parent / "log").read_text()[-4000:]
            assert time.monotonic() < deadline
            time.sleep(0.05)


def _of_tls(address: Address) -> dict[str, str]:
    given = {"PGSSLMODE": address.sslmode, "PGSSLROOTCERT": address.sslrootcert}
    return {name: value for name, value in given.items() if value is not None}


def url_of(address: Address) -> str:
    """Without its password."""
    given = {"host": address.host, "sslmode": address.sslmode, "sslrootcert": address.sslrootcert}
    query = urlencode({name: value for name, value in given.items() if value is not None})
    return f"postgresql://{quote(address.user or '', safe='')}@:{address.port}/{address.database}?{query}"


def its_user() -> pwd.struct_passwd | None:
    """PostgreSQL refuses to run as root."""
    return pwd.getpwnam("postgres") if os.geteuid() == 0 else None


def as_its_user(argv: Sequence[str]) -> Sequence[str]:
    user = its_user()
    # It must not outlive a test process that was killed.
    ends = ["setpriv", "--pdeathsig", "QUIT"]
    if user is None:
        return [*ends, *argv]
    return [*ends, f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups", "--", *argv]


@contextmanager
def running(given: str | None = GIVEN) -> Iterator[Server]:
    """Without a URL one of our own."""
    if given is not None:
        yield Server(Address.of(given))
        return
    with _of_our_own() as server:
        yield server


@contextmanager
def _of_our_own(change: Callable[[Server], None] = lambda _: None) -> Iterator[Server]:
    """``change`` is called before it starts."""
    folder = Path(tempfile.mkdtemp(prefix="pagereeve-postgres-"))
    try:
        server = made(folder)
        change(server)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder)


@contextmanager
def elsewhere(host: str, peers: str, within: tuple[str, ...] = ()) -> Iterator[Server]:
    """At ``host``, where a command of ``within`` runs; ``peers``, a network, may connect."""

    def change(server: Server) -> None:
        assert server.data is not None
        with (server.data / "pg_hba.conf").open("a") as rules:
            rules.write(f"host all all {peers} scram-sha-256\n")
        server.address, server.within = replace(server.address, host=host), within
        server.settings = {"listen_addresses": "*"}

    with _of_our_own(change) as server:
        yield server


def made(folder: Path) -> Server:
    password, data = secrets.token_hex(16), folder / "data"
    (folder / "password").write_text(password)
    if (user := its_user()) is not None:
        for path in (folder, folder / "password"):
            os.chown(path, user.pw_uid, user.pw_gid)
    argv = [str(PROGRAMS / "initdb"), "-D", str(data), "-U", "pagereeve", "--auth=scram-sha-256", "--encoding=UTF8"]
    argv += ["--locale=C", f"--pwfile={folder / 'password'}", "--no-sync"]
    subprocess.run(as_its_user(argv), check=True, capture_output=True)
    return Server(Address("127.0.0.1", "postgres", "pagereeve", password, free_tcp_port()), data)
