"""Asking the daemon: what people are told where it answers, refuses, is slow, says too much, or is somebody else."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import pytest

from pagereeve.app import daemon_client
from pagereeve.app.daemon_client import NoDaemon, NotTaken, readiness_of, send_event
from pagereeve.settings import HostPort

TOKEN = "a-secret-token"  # an invented one


@contextmanager
def answering(status: int, body: bytes, *, hang_s: float = 0.0) -> Iterator[tuple[HostPort, list[Any]]]:
    """A server that answers one way; yields its address, and what it heard."""
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
                self.wfile.write(body)
            except OSError:
                heard.append("cut off")

        do_GET = do_POST = answer  # noqa: N815 - http.server's names

        def log_message(self, *_: object) -> None:
            """Nothing on stderr."""

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield HostPort("127.0.0.1", server.server_port), heard
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


def test_an_address_of_all_interfaces_is_asked_on_loopback() -> None:
    with answering(200, b'{"not_ready": {}}') as (address, _):
        assert readiness_of(HostPort("0.0.0.0", address.port)).not_ready == {}


def test_nobody_listens() -> None:
    address = closed_port()
    assert readiness_of(address).trouble == "nobody listens there"
    with pytest.raises(NoDaemon, match=f"nobody listens at {address}"):
        send_event(address, TOKEN, {})


def test_a_daemon_that_does_not_answer_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_client, "ANSWER_S", 0.2)
    with answering(200, b"{}", hang_s=30) as (address, _):
        assert readiness_of(address).trouble == "no answer, TimeoutError"
        with pytest.raises(NotTaken, match=r"did not answer \(TimeoutError\); try again"):
            send_event(address, TOKEN, {})


def test_an_answer_without_end_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_client, "ANSWER_MAX_BYTES", 1000)
    with answering(200, b'{"not_ready": {}, "more": "' + b"x" * 10_000_000 + b'"}') as (address, _):
        assert readiness_of(address).trouble == "somebody else does: /readyz is not ours"


def test_an_event_is_sent_as_one_with_the_token() -> None:
    with answering(202, b"") as (address, heard):
        send_event(address, TOKEN, {"id": "1"})
    ((method, path, headers, sent),) = heard
    known = {name.lower(): value for name, value in headers.items()}
    assert (method, path, sent) == ("POST", "/v1/events", b'{"id": "1"}')
    assert known["authorization"] == f"Bearer {TOKEN}"
    assert known["content-type"] == "application/cloudevents+json"


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (400, b'{"detail": "finding: is no finding"}', "finding: is no finding"),
        (403, b"", "Forbidden"),
        (503, b"[]", "Service Unavailable"),
        (302, b"", "Found"),
    ],
)
def test_what_is_not_taken_says_why_and_never_the_token(status: int, body: bytes, told: str) -> None:
    with (
        answering(status, body) as (address, heard),
        pytest.raises(NotTaken, match=f"did not take it: {told}") as raised,
    ):
        send_event(address, TOKEN, {})
    assert TOKEN not in str(raised.value)
    assert len(heard) == 1, "a redirect is not followed"
