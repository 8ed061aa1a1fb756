"""How a journal in PostgreSQL is reached: TLS with an authority of one's own, the password's file, and poolers."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography import x509

from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.store.errors import InUse
from pagereeve.store.postgres.address import Address
from tests.integration import postgres_server
from tests.integration.certificates import Authority, Certificate
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.postgres_server import Server, as_its_user, its_user
from tests.integration.processes import free_tcp_port
from tests.integration.test_postgres_daemon import journal_settings

POOLER_S = 20.0
IGNORED = (
    "statement_timeout,lock_timeout,idle_in_transaction_session_timeout,tcp_keepalives_idle,tcp_keepalives_interval,"
    "tcp_keepalives_count,tcp_user_timeout,jit,extra_float_digits"
)


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """Always one of our own: its settings change."""
    with postgres_server.running(None) as server:
        yield server


@pytest.fixture(scope="module")
def database(server: Server) -> Address:
    return server.new_database()


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


class Site:
    def __init__(self, folder: Path, address: Address, capsys: pytest.CaptureFixture[str]) -> None:
        self.config, self.address, self.capsys = folder / "pagereeve.toml", address, capsys
        self.password = folder / "journal.password"
        self.password.write_text(f"{address.password}\n")

    def ask(self, query: str = "", *, host: str = "", port: int = 0, password: bool = True) -> tuple[int, str]:
        """What a command comes to that makes the journal where there is none, and what it complains about."""
        one = self.address
        url = f"postgresql://{one.user}@{host or one.host}:{port or one.port}/{one.database}{query}"
        of_password = f'password_file = "{self.password}"\n' if password else ""
        folder = self.config.parent / "data"
        self.config.write_text(f'data_dir = "{folder}"\n[journal]\nurl = "{url}"\n{of_password}')
        self.capsys.readouterr()
        name = f"c{time.monotonic_ns()}"
        status = status_of(["credentials", "add", name, "--act", "note", "--config", str(self.config)])
        said = self.capsys.readouterr().err
        assert (one.password or "") not in said
        return status, said


@pytest.fixture
def site(tmp_path: Path, database: Address, capsys: pytest.CaptureFixture[str]) -> Site:
    return Site(tmp_path, database, capsys)


def speak_tls(server: Server, shown: Certificate | None) -> None:
    if shown is None:
        server.run("ALTER SYSTEM SET ssl = off")
    else:
        assert server.data is not None
        for source, name in ((shown.certificate, "server.crt"), (shown.key, "server.key")):
            target = server.data / name
            shutil.copyfile(source, target)
            target.chmod(0o600)
            if (user := its_user()) is not None:
                os.chown(target, user.pw_uid, user.pw_gid)
        server.run("ALTER SYSTEM SET ssl = on")
    server.run("SELECT pg_reload_conf()")
    wanted = "off" if shown is None else "on"
    deadline = time.monotonic() + POOLER_S
    while server.run("SHOW ssl") != wanted:
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_verify_full_takes_the_certificate_of_ones_own_authority_and_no_other(
    server: Server, authority: Authority, site: Site, tmp_path: Path
) -> None:
    speak_tls(server, None)
    roots = f"&sslrootcert={authority.own.certificate}"
    status, said = site.ask(f"?sslmode=verify-full{roots}")
    assert (status, "speaks no TLS, which sslmode=verify-full asks for" in said) == (2, True)
    speak_tls(server, authority.own)
    assert site.ask(f"?sslmode=verify-full{roots}")[0] == 0
    (tmp_path / "other").mkdir()
    other = Authority(tmp_path / "other").own.certificate
    for query in (f"?sslmode=verify-full&sslrootcert={other}", "?sslmode=verify-full&sslrootcert=system"):
        status, said = site.ask(query)
        assert (status, "the server's certificate is not accepted" in said) == (2, True), said
    status, said = site.ask(f"?sslmode=verify-full{roots}", host="localhost")
    assert (status, "must be a name in it" in said) == (2, True), said
    assert site.ask(f"?sslmode=verify-ca{roots}", host="localhost")[0] == 0
    speak_tls(server, authority.issue("elsewhere", x509.DNSName("elsewhere.example")))
    assert site.ask(f"?sslmode=verify-full{roots}")[0] == 2
    assert site.ask(f"?sslmode=verify-ca{roots}")[0] == 0
    speak_tls(server, authority.issue("over", x509.DNSName("localhost"), days=-0.5))
    status, said = site.ask(f"?sslmode=verify-full{roots}", host="localhost")
    assert (status, "certificate has expired" in said) == (2, True), said
    status, said = site.ask(f"?sslmode=verify-full&sslrootcert={tmp_path / 'nowhere'}")
    assert (status, "nowhere can't be used: No such file or directory" in said) == (2, True), said


def test_what_is_verified_by_nothing_is_refused(site: Site) -> None:
    for query in ("?sslrootcert=/x", "?sslmode=require&sslrootcert=/x"):
        status, said = site.ask(query)
        assert (status, "sslrootcert belongs to sslmode=verify-full" in said) == (2, True), said


def test_the_password_is_taken_from_its_file_alone(
    server: Server, site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    speak_tls(server, None)
    one = site.address
    given = tmp_path / "pgpass"
    given.write_text(f"*:*:*:*:{one.password}\n")
    given.chmod(0o600)
    monkeypatch.setenv("PGPASSWORD", one.password or "")
    monkeypatch.setenv("PGPASSFILE", str(given))
    status, said = site.ask(password=False)
    assert (status, "password" in said) == (2, True), said
    assert site.ask()[0] == 0


@contextmanager
def pooler(server: Server, folder: Path, mode: str, ignored: str) -> Iterator[int]:
    """Debian's PgBouncer before the server; its port."""
    port, one = free_tcp_port(), server.address
    place = folder / f"pooler-{port}"
    place.mkdir()
    users, config, log = place / "users.txt", place / "pgbouncer.ini", place / "log"
    users.write_text(f'"{one.user}" "{one.password}"\n')
    config.write_text(
        f"[databases]\n* = host={one.host} port={one.port}\n[pgbouncer]\nlisten_addr = 127.0.0.1\n"
        f"listen_port = {port}\nunix_socket_dir =\nauth_type = scram-sha-256\nauth_file = {users}\n"
        f"pool_mode = {mode}\nlogfile = {log}\nignore_startup_parameters = {ignored}\n"
    )
    if (user := its_user()) is not None:
        for path in (*reversed(place.relative_to("/tmp").parents), place.relative_to("/tmp")):
            (Path("/tmp") / path).chmod((Path("/tmp") / path).stat().st_mode | 0o011)
        for path in (place, users, config):
            os.chown(path, user.pw_uid, user.pw_gid)
    process = subprocess.Popen(as_its_user(["/usr/sbin/pgbouncer", "-q", str(config)]))
    try:
        deadline = time.monotonic() + POOLER_S
        ready = [str(postgres_server.PROGRAMS / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(port)]
        while subprocess.run(ready, check=False).returncode:
            assert process.poll() is None, log.read_text()
            assert time.monotonic() < deadline
            time.sleep(0.05)
        yield port
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(POOLER_S)


@pytest.mark.parametrize("mode", ["transaction", "statement"])
@pytest.mark.parametrize("ignored", ["extra_float_digits", IGNORED], ids=["refuses settings", "ignores settings"])
def test_a_pooler_that_takes_sessions_back_is_refused_by_its_setting(
    server: Server, site: Site, tmp_path: Path, mode: str, ignored: str
) -> None:
    speak_tls(server, None)
    # The database itself may give what the connection asks for: a session is still somebody else's.
    server.run(f"ALTER DATABASE {site.address.database} SET statement_timeout = '60s'")
    with pooler(server, tmp_path, mode, ignored) as port:
        status, said = site.ask(port=port)
    assert (status, "a connection pooler stands before the server" in said) == (2, True), said
    assert "set pool_mode = session for this database there, or name the server's own port" in said


async def test_a_pooler_that_gives_whole_sessions_will_do(server: Server, tmp_path: Path) -> None:
    """Two daemons come one after another, and each has the limits of its own session."""
    speak_tls(server, None)
    address = server.new_database()
    server.run(f"ALTER DATABASE {address.database} SET statement_timeout = '3s'")
    with pooler(server, tmp_path, "session", "extra_float_digits") as port:
        through = journal_settings(replace(address, port=port), tmp_path)
        settings = hasty_settings(tmp_path / "data", [], journal=through)
        for nth in range(2):
            async with App(settings) as app, Outside(app) as outside:
                assert (await outside.started(f"A{nth}", "elsewhere", 5)).status_code == 200
                await app.store.rewrite()
                await questions_are_answered(outside)
                with pytest.raises(InUse, match="another daemon works with it"):
                    await App(hasty_settings(tmp_path / "other", [], journal=through)).__aenter__()
    assert server.run("SELECT count(*) FROM fact WHERE event_id LIKE 'A%'", address.database) == "2"
    server.drop(address)


async def questions_are_answered(outside: Outside) -> None:
    for path in ("/v1/totals?period=2026-11", "/v1/printers", "/v1/findings"):
        answer = await outside.client.get(outside.url + path, timeout=60.0)
        assert answer.status_code == 200, answer.text
