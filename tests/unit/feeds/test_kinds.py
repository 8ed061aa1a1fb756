"""The one list of feeds: every folder is in it, and one line more in it is all that the settings need."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from pagereeve import feeds
from pagereeve.feeds import FEEDS
from pagereeve.settings import FeedSettings, Settings

NEW_KIND = """
import sys
from pathlib import Path

from pagereeve import feeds
from pagereeve.feeds.kind import FeedContext, FeedKind, FeedSettings
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.setting_types import Name


class PigeonSettings(FeedSettings):
    loft: Path
    gateway: Name


def make_pigeon(settings, context):
    return f"{settings.name} of {settings.loft}, {context.backlog_max} at most"


feeds.FEEDS = (*feeds.FEEDS, FeedKind("pigeons", PigeonSettings, make_pigeon))

from pagereeve.settings import BadSettings, load_settings

context = FeedContext(MemoryIntake(), LoopClock(), print, {}, connections_max=1, peer_connections_max=1, backlog_max=2)
try:
    for kind, one in load_settings(Path(sys.argv[1]), {}).feeds.each():
        print(kind.make(one, context) if kind.table == "pigeons" else one.name)
except BadSettings as error:
    print(error)
"""
PIGEONS = """\
[[gateways]]
name = "roof"
[[feeds.pigeons]]
name = "grey"
loft = "loft"
gateway = "roof"
[[feeds.lines]]
name = "badges"
listen = "127.0.0.1:9130"
gateway = "roof"
"""


def said_with_pigeons(folder: Path, settings: str) -> str:
    """In a process of its own: the list is read when the settings are imported."""
    file = folder / "pagereeve.toml"
    file.write_text(settings)
    argv = [sys.executable, "-c", NEW_KIND, str(file)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=True).stdout


def test_every_folder_with_settings_is_in_the_list() -> None:
    """But for the one feed that is there once and always, with a table of its own."""
    folders = {path.parent.name for path in Path(feeds.__file__).parent.glob("*/settings.py")}
    assert folders == {kind.settings.__module__.split(".")[-2] for kind in FEEDS} | {"http", "local"}
    assert Settings().http.__class__.__module__ == "pagereeve.feeds.http.settings"


def test_a_kind_has_its_table_and_its_maker_in_one_folder() -> None:
    for kind in FEEDS:
        assert kind.settings.__module__.rpartition(".")[0] == kind.make.__module__.rpartition(".")[0]
        assert kind.table in FeedSettings.model_fields


def test_a_new_kind_is_read_from_the_file_and_made(tmp_path: Path) -> None:
    told = said_with_pigeons(tmp_path, PIGEONS).splitlines()
    assert told == ["badges", f"grey of {tmp_path / 'loft'}, 2 at most"]


def test_a_new_kind_is_judged_like_the_others(tmp_path: Path) -> None:
    wrong = PIGEONS.replace('"badges"', '"grey"').replace('gateway = "roof"\n[[feeds', 'gateway = "rooff"\n[[feeds')
    told = said_with_pigeons(tmp_path, wrong)
    assert "the 1st [[feeds.pigeons]] ('grey', line" in told
    assert "name: is the same as that of the 1st [[feeds.lines]] ('grey', line" in told
    assert ", gateway: 'rooff' is no gateway of [[gateways]]; did you mean 'roof'?" in told
