"""`pagereeve ready`: what a health check asks, and its exit status."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from tests.integration.processes import free_tcp_port


@contextmanager
def answering(status: int, body: bytes) -> Iterator[int]:
    """A daemon's health page, as it answers somebody without a token; yields its port."""

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/readyz" else 404)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            pass

    with HTTPServer(("127.0.0.1", 0), Page) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


def asked(folder: Path, port: int) -> int:
    config = folder / "pagereeve.toml"
    config.write_text(f'data_dir = "data"\n[http]\nlisten = "127.0.0.1:{port}"\n', encoding="utf-8")
    return status_of(["ready", "--config", str(config)])


@pytest.mark.parametrize(
    ("page", "status", "out"),
    [
        ((200, b'{"ready": true, "not_ready": {}, "notices": {"disk": "nearly full"}}'), 0, "ready\n"),
        ((503, b'{"ready": false, "not_ready": {"journal": "disk full"}}'), 1, "journal: disk full\n"),
        ((503, b'{"ready": false}'), 1, "unnamed: which part, it tells a token that may read\n"),
    ],
)
def test_it_says_what_the_daemon_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], page: tuple[int, bytes], status: int, out: str
) -> None:
    with answering(*page) as port:
        assert asked(tmp_path, port) == status
    assert capsys.readouterr() == (out, "")


def test_no_daemon_is_not_ready(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    port = free_tcp_port()
    assert asked(tmp_path, port) == 1
    assert capsys.readouterr() == ("", f"pagereeve: 127.0.0.1:{port}: nobody listens there\n")


def test_settings_that_cannot_be_read_are_another_status(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["ready", "--config", str(tmp_path / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err
