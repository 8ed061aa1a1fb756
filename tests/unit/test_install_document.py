"""What the document on installing has people type: a shell can read it, and what it names is what is there."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest
import yaml

from pagereeve.app.shipped_files import SHIPPED, shipped
from tests.containerfile import LAST, of

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "contrib" / "docs" / "install.md").read_text(encoding="utf-8")
LINES = re.findall(r"^    (\S.*)$", TEXT, re.MULTILINE)
INLINE = re.findall(r"`((?:sudo|pagereeve|docker|dpkg|systemctl|uv|pipx) [^`]+)`", TEXT)
# The first words of what is typed, and where each comes from: ours, the system's, or what the section is about.
PROGRAMS = {
    "contrib/debian/build",
    "docker",
    "dpkg",
    "env",
    "export",
    "install",
    "mkdir",
    "pagereeve",
    "pipx",
    "rm",
    "sed",
    "sudo",
    "systemctl",
    "uv",
}
UNITS = {"pagereeve", "pagereeve-relay", "pagereeve.service", "pagereeve-relay.service"}


@pytest.mark.parametrize("line", [*LINES, *INLINE])
def test_a_shell_can_read_it_and_knows_what_is_called(line: str) -> None:
    assert subprocess.run(["bash", "-n", "-c", line], check=False, timeout=10).returncode == 0
    words = shlex.split(line, comments=True)
    assert words[0] in PROGRAMS
    if "/" in words[0]:
        assert (ROOT / words[0]).is_file()
    if words[0] == "systemctl":
        assert set(words[2:]) - {"--now"} <= UNITS


def test_the_files_that_it_takes_from_the_checkout_are_there() -> None:
    named = {word for line in LINES for word in shlex.split(line, comments=True) if word.startswith("contrib/")}
    assert len(named) > 2
    assert [name for name in named if not (ROOT / name).is_file()] == []


def test_the_path_that_it_replaces_is_the_units() -> None:
    ((old, new),) = re.findall(r"sed -i s:([^:]+):([^:]+): /etc/systemd/system/pagereeve\*\.service", TEXT)
    written = re.findall(r"pagereeve example (\S*unit) > /etc/systemd/system/(pagereeve\S*\.service)", TEXT)
    assert len(written) == 2
    for name, target in written:
        unit = shipped(name)
        assert unit is not None
        assert target == Path(unit.files[0]).name
        assert f"ExecStart={old}pagereeve " in (ROOT / unit.files[0]).read_text(encoding="utf-8")
    assert f"UV_TOOL_BIN_DIR={new.rstrip('/')}\n" in TEXT
    assert f"PIPX_BIN_DIR={new.rstrip('/')}\n" in TEXT


def test_the_table_of_places_is_that_of_package_and_image() -> None:
    contents = yaml.safe_load((ROOT / "contrib" / "debian" / "nfpm.yaml").read_text(encoding="utf-8"))["contents"]
    placed = {one["dst"] for one in contents}
    rows = {
        cells[0]: cells[1:]
        for cells in (re.split(r" *\| *", line.strip("| ")) for line in TEXT.splitlines() if line.startswith("| "))
    }
    assert rows["command"][1].strip("`") in placed
    assert f"{rows['units'][1].strip('`')}/pagereeve.service" in placed
    assert rows["user"][2] == of(LAST, "USER")[0]
    assert rows["journal, badge key"][0].strip("`") == of(LAST, "VOLUME")[0]


def test_what_compose_is_asked_is_of_the_services_that_it_has() -> None:
    (file,) = (file for one in SHIPPED if one.name == "compose" for file in one.files if file.endswith("compose.yaml"))
    services = yaml.safe_load((ROOT / file).read_text(encoding="utf-8"))["services"]
    asked = re.findall(r"compose -f site/compose\.yaml (?:exec|kill --signal HUP) (\S+?)[`\s]", TEXT)
    assert len(asked) == 2
    assert set(asked) <= set(services)
