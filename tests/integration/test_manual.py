"""The manual page: troff and man read it without a warning, and it tells every command with every option."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

from pagereeve.cli import COMMANDS, status_of
from pagereeve.cli.manual import escaped, manual
from pagereeve.cli.version import version_text
from tests.integration.foreign import tool

# A dumb terminal with lines so long that nothing is folded; whatever the one who runs the tests has set is left out.
ENVIRONMENT = {"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "MANWIDTH": "1000", "TERM": "dumb"}


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("manual") / "pagereeve.1"
    file.write_bytes(manual().encode("ascii"))
    return file


@pytest.fixture(scope="module")
def shown(page: Path) -> str:
    argv = [tool("man", "man-db"), "--warnings=w", "--no-hyphenation", "--local-file", str(page)]
    done = subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30, env=ENVIRONMENT)
    assert done.stderr == ""
    return done.stdout


def test_troff_has_no_warning(page: Path) -> None:
    argv = [tool("groff", "groff-base"), "-man", "-Tascii", "-ww", "-b", str(page)]
    done = subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30)
    assert (done.stderr, "PAGEREEVE(1)" in done.stdout) == ("", True)


def test_troff_would_have_warned(page: Path) -> None:
    broken = page.with_name("broken.1")
    broken.write_text(page.read_text(encoding="ascii") + ".NOSUCH macro\n", encoding="ascii")
    argv = ["groff", "-man", "-Tascii", "-ww", str(broken)]
    assert "NOSUCH" in subprocess.run(argv, capture_output=True, text=True, check=False, timeout=30).stderr


def test_man_shows_what_the_page_is_about(shown: str) -> None:
    assert "pagereeve - accounts for every page that a badge-released printer counts" in shown
    assert f"pagereeve {version_text()}" in shown


@pytest.mark.parametrize("name", [name for name, *_ in COMMANDS])
def test_every_command_with_its_options_is_in_it(shown: str, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of([name, "--help"]) == 0
    options = set(re.findall(r"^│ +(--[a-z-]+)", capsys.readouterr().out, re.MULTILINE))
    # The commands of a group have sections of their own behind it.
    section, *_ = re.findall(rf"(?ms)^   pagereeve {name}(?: [^\n]*)?\n(.*?)(?=^   pagereeve |^[A-Z])", shown)
    assert len(section.split()) > 2
    assert [option for option in options if not re.search(rf"^ +{option}\b", section, re.MULTILINE)] == []


def test_what_status_one_means_is_told_of_each_command(shown: str) -> None:
    (section,) = re.findall(r"(?ms)^   pagereeve verify.*?(?=^   pagereeve )", shown)
    status = (
        "Exit status 1: something was, or a head differs; 2 where nothing is wrong and the file of an archive was not"
    )
    assert f"{status} there." in section


@pytest.mark.parametrize("text", ["a\\b", ".TH x", "'br", "--new", '"q"', "a~^`b", "wait…"])
def test_any_text_comes_out_as_it_went_in(text: str) -> None:
    source = f'.TH X 1 "" "" ""\n.nf\n{escaped(text)}\n'
    argv = ["groff", "-man", "-Tutf8", "-ww", "-P-cbou"]
    done = subprocess.run(argv, input=source, capture_output=True, text=True, check=True, timeout=30)
    assert (done.stderr, text in done.stdout) == ("", True)


def test_the_command_prints_it(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["example", "man"]) == 0
    assert capfdbinary.readouterr().out == manual().encode()
