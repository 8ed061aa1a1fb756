"""Asking the daemon: what people are told where it answers, refuses, is slow, says too much, or is somebody else."""

from __future__ import annotations

import errno
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from socketserver import UnixStreamServer
from typing import Any

import pytest

from pagereeve.app import daemon_client
from pagereeve.app.daemon_client import NoDaemon, NotTaken, agree_clock, readiness_of, send_event
from pagereeve.settings import HostPort


@contextmanager
def answering(
    status: int, body: bytes, *, hang_s: float = 0.0, at: Path | None = None
) -> Iterator[tuple[HostPort, list[Any]]]:
    """A server that answers one way, at a local socket or a port; yields its port, and what it heard."""
    heard: list[Any] = []
    over = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def answer(self) -> None:
            sent = self.rfile.read(int(self.headers.get("content-length", 0)))
            heard.append((self.command, self.path, dict(self.headers), sent))
            over.wait(hang_s)
            self.send_response(status)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            try:
                if body:  # whoever has all of it may be gone already
                    self.wfile.write(body)
            except OSError:
                heard.append("cut off")

        do_GET = do_POST = answer  # noqa: N815 - http.server's names

        def log_message(self, *_: object) -> None:
            """Nothing on stderr."""

    class AtSocket(UnixStreamServer):
        def get_request(self) -> tuple[socket.socket, Any]:
            accepted, _ = super().get_request()
            return accepted, ("local", 0)

    server: HTTPServer | AtSocket
    with AtSocket(str(at), Handler) if at is not None else HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield HostPort("127.0.0.1", server.server_port if isinstance(server, HTTPServer) else 1), heard
        finally:
            over.set()
            server.shutdown()
            thread.join()


def closed_port() -> HostPort:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return HostPort("127.0.0.1", taken.getsockname()[1])


@pytest.mark.parametrize(
    ("status", "body", "not_ready", "trouble"),
    [
        (200, b'{"ready": true, "not_ready": {}}', {}, ""),
        (503, b'{"ready": false, "not_ready": {"disk": "full"}}', {"disk": "full"}, ""),
        (200, b'{"ready": true}', {}, ""),
        (503, b'{"ready": false}', {"unnamed": "which part, it tells a token that may read"}, ""),
        (200, b'{"ready": 1}', None, "somebody else does: /readyz is not ours"),
        (404, b"{}", None, "somebody else does: /readyz answers 404"),
        (200, b"<html>", None, "somebody else does: /readyz is not ours"),
        (200, b"[1]", None, "somebody else does: /readyz is not ours"),
        (200, b'{"not_ready": 1}', None, "somebody else does: /readyz is not ours"),
    ],
)
def test_readiness(status: int, body: bytes, not_ready: dict[str, str] | None, trouble: str) -> None:
    with answering(status, body) as (address, heard):
        known = readiness_of(address)
    assert (known.not_ready, known.trouble) == (not_ready, trouble)
    assert [one[:2] for one in heard] == [("GET", "/readyz")]


@pytest.mark.parametrize(
    ("clock", "ahead_us"),
    [
        ('{"ahead_s": -3600, "agreed": true}', -3_600_000_000),
        ('{"ahead_s": true}', 0),
        ('{"ahead_s": 1.5}', 0),
        ('{"ahead_s": 999999999999999}', 0),
        ("[]", 0),
        ("null", 0),
    ],
)
def test_by_how_much_dates_differ_from_the_clock(clock: str, ahead_us: int) -> None:
    with answering(200, f'{{"ready": true, "not_ready": {{}}, "clock": {clock}}}'.encode()) as (address, _):
        assert readiness_of(address).ahead_us == ahead_us


def test_an_address_of_all_interfaces_is_asked_on_loopback() -> None:
    with answering(200, b'{"not_ready": {}}') as (address, _):
        assert readiness_of(HostPort("0.0.0.0", address.port)).not_ready == {}


def test_readiness_is_asked_at_the_socket_and_else_at_the_port(tmp_path: Path) -> None:
    at = tmp_path / "daemon.sock"
    with answering(503, b'{"not_ready": {"disk": "full"}}') as (address, by_port):
        with answering(200, b'{"not_ready": {}}', at=at):
            assert readiness_of(address, at).not_ready == {}
        assert by_port == []
        for socket_path in (at, tmp_path / "none.sock", tmp_path / ("n" * 200)):
            assert readiness_of(address, socket_path).not_ready == {"disk": "full"}
    assert readiness_of(closed_port(), at).trouble == "nobody listens there"


def test_nobody_listens(tmp_path: Path) -> None:
    assert readiness_of(closed_port()).trouble == "nobody listens there"
    left = tmp_path / "daemon.sock"
    with socket.socket(socket.AF_UNIX) as gone:
        gone.bind(str(left))
    for at in (left, tmp_path / "none.sock"):
        with pytest.raises(NoDaemon, match=f"nobody listens at {at}"):
            send_event(at, {})
        with pytest.raises(NoDaemon, match=f"nobody listens at {at}"):
            agree_clock(at)


def test_who_may_not_connect_is_told_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket.socket, "connect_ex", lambda *_: errno.EACCES)
    with pytest.raises(NotTaken, match=r"you may not connect to .*run it as root"):
        send_event(tmp_path / "daemon.sock", {})


def test_a_path_that_the_system_does_not_allow() -> None:
    with pytest.raises(NotTaken, match=r"the local socket's path has 109 bytes"):
        send_event(Path("/" + "d" * 108), {})


def test_a_daemon_that_does_not_answer_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_client, "ANSWER_S", 0.2)
    with answering(200, b"{}", hang_s=30) as (address, _):
        assert readiness_of(address).trouble == "no answer, TimeoutError"
    at = tmp_path / "daemon.sock"
    with (
        answering(200, b"{}", hang_s=30, at=at),
        pytest.raises(NotTaken, match=r"did not answer \(TimeoutError\); try again"),
    ):
        send_event(at, {})


def test_an_answer_without_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_client, "ANSWER_MAX_BYTES", 1000)
    with answering(200, b'{"not_ready": {}, "more": "' + b"x" * 10_000_000 + b'"}') as (address, _):
        assert readiness_of(address).trouble == "somebody else does: /readyz is not ours"


def test_an_event_is_sent_as_one(tmp_path: Path) -> None:
    at = tmp_path / "daemon.sock"
    with answering(202, b"", at=at) as (_, heard):
        send_event(at, {"id": "1"})
    ((method, path, headers, sent),) = heard
    known = {name.lower(): value for name, value in headers.items()}
    assert (method, path, sent) == ("POST", "/v1/events", b'{"id": "1"}')
    assert known["content-type"] == "application/cloudevents+json"


def test_a_clock_is_agreed_by_whoever_asks(tmp_path: Path) -> None:
    at = tmp_path / "daemon.sock"
    with answering(200, b'{"by": "root", "agreed": "2026-11-25T09:00:00Z"}', at=at) as (_, heard):
        assert agree_clock(at) == "2026-11-25T09:00:00Z"
    assert [one[:2] for one in heard] == [("POST", "/v1/clock/agreement")]


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (400, b'{"detail": "finding: is no finding"}', "finding: is no finding"),
        (403, b"", "Forbidden"),
        (503, b"[]", "Service Unavailable"),
        (302, b"", "Found"),
    ],
)
def test_what_is_not_taken_says_why(tmp_path: Path, status: int, body: bytes, told: str) -> None:
    at = tmp_path / "daemon.sock"
    with answering(status, body, at=at) as (_, heard), pytest.raises(NotTaken, match=f"did not take it: {told}"):
        send_event(at, {})
    assert len(heard) == 1, "a redirect is not followed"
