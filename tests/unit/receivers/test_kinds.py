"""The one list of kinds: every folder is in it, and one line more in it is all that the rest of the house needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from pagereeve import receivers
from pagereeve.receivers import RECEIVERS
from pagereeve.settings import AlertSettings

NEW_KIND = """
import sys
from pathlib import Path

from pagereeve import receivers
from pagereeve.ports.secrets import secret_from_file
from pagereeve.receivers.events import EventReceiver
from pagereeve.receivers.kind import ReceiverKind, ReceiverSettings


class BellSettings(ReceiverSettings):
    strokes: int = 1
    rope_file: Path


class Bell(EventReceiver):
    def __init__(self, settings, rope):
        super().__init__(settings.name)
        self.rung = rope * settings.strokes


def make_bell(settings, _):
    return Bell(settings, secret_from_file(settings.rope_file))


receivers.RECEIVERS = (*receivers.RECEIVERS, ReceiverKind("bells", BellSettings, make_bell))

from pagereeve.app.clocks import SystemClock
from pagereeve.app.receivers import receivers_of
from pagereeve.settings import BadSettings, load_settings

try:
    for receiver, least in receivers_of(load_settings(Path(sys.argv[1]), {}).alerts, SystemClock()):
        print(receiver.name, least, getattr(receiver, "rung", ""))
except BadSettings as error:
    print(error)
"""
BELLS = """\
[[alerts.bells]]
name = "tower"
strokes = 3
rope_file = "rope"
[[alerts.syslogs]]
name = "log"
server = "127.0.0.1:514"
"""


def said_with_bells(folder: Path, settings: str) -> str:
    """In a process of its own: the list is read when the settings are imported."""
    file = folder / "pagereeve.toml"
    file.write_text(settings)
    argv = [sys.executable, "-c", NEW_KIND, str(file)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=True).stdout


def test_every_folder_with_settings_is_in_the_list() -> None:
    folder = Path(receivers.__file__).parent
    folders = {path.parent.name for path in folder.glob("*/settings.py")}
    assert folders == {kind.settings.__module__.split(".")[-2] for kind in RECEIVERS}
    assert len(folders) == len(RECEIVERS) >= 4


def test_a_kind_has_its_table_and_its_maker_in_one_folder() -> None:
    for kind in RECEIVERS:
        assert kind.settings.__module__.rpartition(".")[0] == kind.make.__module__.rpartition(".")[0]
        assert kind.table in AlertSettings.model_fields


def test_a_new_kind_is_read_from_the_file_and_made(tmp_path: Path) -> None:
    (tmp_path / "rope").write_text("dong\n")
    assert said_with_bells(tmp_path, BELLS).splitlines() == ["log warning ", "tower warning dongdongdong"]


def test_a_new_kind_is_judged_like_the_others(tmp_path: Path) -> None:
    twice = said_with_bells(tmp_path, BELLS.replace('"log"', '"tower"').replace("strokes", "strikes"))
    assert ", strikes: is no setting; did you mean 'strokes'?" in twice
    assert "[[alerts.bells]] ('tower', line" in twice
    assert "is the same as that of the 1st [[alerts.syslogs]] ('tower', line" in twice
    assert f"receiver tower: {tmp_path / 'rope'} can't be read" in said_with_bells(tmp_path, BELLS)
