"""What comes with the program is in the wheel too, and a command prints it."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tomllib
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

from pagereeve.app.shipped_files import IN_THE_WHEEL, SHIPPED, TOPICS, topic_file
from pagereeve.settings.schema.of_settings import settings_schema

ROOT = Path(__file__).parents[2]
MAIN = "import sys; from pagereeve.cli import main; main(sys.argv[1:])"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout, unpacked: what an installer makes of it."""
    folder = tmp_path_factory.mktemp("wheel")
    (wheel,) = WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def ask(installed: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """From an empty folder, with the unpacked wheel in front of everything else."""
    code = f"import sys; sys.path.insert(0, {str(installed)!r}); {MAIN}"
    return subprocess.run(
        [sys.executable, "-P", "-c", code, *arguments],
        capture_output=True,
        check=False,
        timeout=60,
        cwd=installed.parent,
    )


def test_the_wheel_has_every_file_as_it_is(installed: Path) -> None:
    for file in (*(file for one in SHIPPED for file in one.files), *map(topic_file, TOPICS)):
        assert (installed / "pagereeve" / IN_THE_WHEEL / file).read_bytes() == (ROOT / file).read_bytes(), file


def test_an_installed_command_prints_its_own(installed: Path) -> None:
    shown = ask(installed, "example", "settings")
    assert (shown.returncode, shown.stderr) == (0, b"")
    assert shown.stdout == (ROOT / "contrib/example.toml").read_bytes()
    assert tomllib.load(io.BytesIO(shown.stdout))["printers"]
    listed = ask(installed, "example").stdout.decode()
    assert [line.split()[0] for line in listed.splitlines()] == [one.name for one in SHIPPED]


def test_an_installed_command_describes_settings_by_its_own_example(installed: Path) -> None:
    shown = ask(installed, "schema", "settings")
    assert (shown.returncode, shown.stderr) == (0, b"")
    assert json.loads(shown.stdout) == settings_schema((ROOT / "contrib/example.toml").read_text(encoding="utf-8"))


def test_several_files_need_a_folder_and_replace_nothing(installed: Path, tmp_path: Path) -> None:
    refused = ask(installed, "example", "rules")
    assert (refused.returncode, refused.stdout) == (2, b"")
    assert b"--into: is missing: rules is 3 files" in refused.stderr
    assert ask(installed, "example", "rules", "--into", str(tmp_path)).returncode == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["alerting-findings.yml", "alerting.yml", "recording.yml"]
    (tmp_path / "recording.yml").write_text("mine", encoding="utf-8")
    again = ask(installed, "example", "rules", "--into", str(tmp_path))
    assert (again.returncode, b"exists already; nothing was written" in again.stderr) == (2, True)
    assert (tmp_path / "recording.yml").read_text(encoding="utf-8") == "mine"


def test_the_version_is_that_of_the_wheel(installed: Path) -> None:
    (metadata,) = installed.glob("*.dist-info/METADATA")
    said = Parser().parsestr(metadata.read_text(encoding="utf-8"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert (said["Name"], said["Version"]) == ("pagereeve", project["version"])
    assert (said["License-Expression"], said["Requires-Python"]) == (project["license"], project["requires-python"])
    for words in (("--version",), ("version",)):
        shown = ask(installed, *words)
        assert (shown.returncode, shown.stdout.decode()) == (0, f"pagereeve {project['version']} (plain Python)\n")


def test_an_unknown_name_is_told_the_nearest(installed: Path) -> None:
    refused = ask(installed, "example", "setings")
    assert refused.returncode == 2
    assert b"did you mean 'settings'?" in refused.stderr


def test_an_installed_command_prints_its_documents(installed: Path) -> None:
    listed = ask(installed, "docs").stdout.decode()
    assert [line.split()[0] for line in listed.splitlines()] == list(TOPICS)
    assert ask(installed, "docs", "events").stdout == (ROOT / "contrib/docs/events.md").read_bytes()
    refused = ask(installed, "docs", "event")
    assert (refused.returncode, b"did you mean 'events'?" in refused.stderr) == (2, True)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_gets_its_completion(installed: Path, shell: str) -> None:
    shown = ask(installed, "completion", shell)
    assert (shown.returncode, b"check-config" in shown.stdout) == (0, True)
    if shell == "bash":
        assert subprocess.run(["bash", "-n"], input=shown.stdout, check=False, timeout=10).returncode == 0
