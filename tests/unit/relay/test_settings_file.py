"""The relay's part of the settings file: the same as the daemon's, and deaf to everything else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pagereeve.relay.settings_file import BadRelaySettings, load_relay_file, socket_problem

RELAYS = """
data_dir = "data"
[[relays]]
name = "badges"
listen = "127.0.0.1:9130"
forward_to = "release.example:9130"
terminator = "lf"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "pagereeve.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_errors_elsewhere_in_the_file_do_not_keep_badge_lines_from_the_release_server(tmp_path: Path) -> None:
    found = load_relay_file(written(tmp_path, RELAYS + '[[printers]]\nhost = 7\n[http]\nlisten = "nonsense"\n'), {})
    assert [(one.name, str(one.forward_to)) for one in found.relays] == [("badges", "release.example:9130")]
    assert found.socket_path == tmp_path / "data" / "relay.sock"


def test_how_loud_it_is_comes_from_the_file_and_never_keeps_it_from_starting(tmp_path: Path) -> None:
    for written_log, level in (('level = "error"', "error"), ('level = "shouting"', "info"), ("format = 7", "info")):
        found = load_relay_file(written(tmp_path, f"{RELAYS}[log]\n{written_log}\n"), {})
        assert found.log.level == level


def test_the_environment_wins(tmp_path: Path) -> None:
    rows = [{"name": "other", "listen": "h:1", "forward_to": "h:2"}]
    environment = {
        "PAGEREEVE_RELAYS": json.dumps(rows),
        "PAGEREEVE_DATA_DIR": "/elsewhere",
        "PAGEREEVE_RELAY_SOCKET": "/run/pagereeve-relay.sock",
    }
    found = load_relay_file(written(tmp_path, RELAYS), environment)
    assert ([one.name for one in found.relays], str(found.socket_path)) == (["other"], "/run/pagereeve-relay.sock")
    with pytest.raises(BadRelaySettings, match="PAGEREEVE_RELAYS: is no JSON"):
        load_relay_file(written(tmp_path, RELAYS), {"PAGEREEVE_RELAYS": "[{"})


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "names no"),
        ("[[relays]\n", "is no TOML"),
        ('[[relays]]\nname = "a"\nlisten = "h:1"\n', r"'a', forward_to: Field required"),
        (RELAYS + 'tee = "h:1"\n', r"'badges', tee: Extra inputs"),
        (RELAYS + RELAYS.replace('data_dir = "data"', ""), "has the name badges twice"),
        (RELAYS.replace('"data"', f'"{"d" * 120}"'), "the system allows 107; set relay_socket"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, text: str, problem: str) -> None:
    with pytest.raises(BadRelaySettings, match=problem):
        load_relay_file(written(tmp_path, text), {})


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadRelaySettings, match="can't be read"):
        load_relay_file(tmp_path / "none.toml", {})


def test_a_socket_has_room_for_the_name_that_it_has_at_first() -> None:
    """sun_path holds 107 bytes (unix(7)); ".relay.sock.4194304" is nine longer than "relay.sock"."""
    folder = Path("/" + "f" * 86)
    assert socket_problem(folder / "relay.sock") == ""
    assert "has 108 bytes, and the system allows 107; set relay_socket" in socket_problem(Path(f"{folder}f/relay.sock"))
