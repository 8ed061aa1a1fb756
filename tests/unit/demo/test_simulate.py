"""What `pagereeve simulate` refuses before it begins, each in one line."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from pagereeve.cli import USAGE, status_of


def refusal(capsys: pytest.CaptureFixture[str], *options: str) -> str:
    assert status_of(["simulate", *options]) == USAGE
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    return shown.err


@pytest.mark.parametrize("kind", [socket.SOCK_STREAM, socket.SOCK_DGRAM])
def test_a_port_in_use(capsys: pytest.CaptureFixture[str], kind: socket.SocketKind) -> None:
    with socket.socket(socket.AF_INET, kind) as taken:
        taken.bind(("127.0.0.1", 0))
        if kind is socket.SOCK_STREAM:
            taken.listen()
        port = taken.getsockname()[1]
        text = refusal(capsys, "--first-port", str(port))
    assert text == (
        f"pagereeve: port {port} is in use on 127.0.0.1; give another --first-port, or leave it out for free ones\n"
    )


@pytest.mark.parametrize(
    ("options", "part"),
    [
        (("--host", "0.0.0.0"), "is not one address of this machine"),
        (("--host", "192.0.2.1"), "192.0.2.1:0 can't be used"),
        (("--printers", "0"), "1 to 100 can"),
        (("--daemon", "nowhere"), "--daemon: 'nowhere' is no address"),
        (("--first-port", "65530"), "go beyond 65535; give a lower --first-port"),
    ],
)
def test_what_does_not_fit(capsys: pytest.CaptureFixture[str], options: tuple[str, ...], part: str) -> None:
    assert part in refusal(capsys, *options)


def test_settings_that_somebody_wrote_stay(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text('data_dir = "mine"\n', encoding="utf-8")
    text = refusal(capsys, "--settings", str(mine))
    assert "is there, and not from simulate; give --settings another name" in text
    assert mine.read_text(encoding="utf-8") == 'data_dir = "mine"\n'
    assert "no folder" in refusal(capsys, "--settings", str(tmp_path / "nowhere" / "x.toml"))
