"""What every command's --help shows: no words of the library's, no example that is none."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from pagereeve.cli import COMMANDS, build_app, status_of
from pagereeve.domain.findings.finding import SEVERITY

GROUPS = ("findings", "alerts", "profile", "clock", "credentials", "printers", "simulate", "decide", "people")
# It takes back what --locale brings: an option of three values.
MEANT = {"--no-bom"}


def commands() -> Iterator[list[str]]:
    for name, *_ in COMMANDS:
        yield [name]
        if name in GROUPS:
            yield from ([name, inner] for inner in build_app(name)[name] if not inner.startswith("-"))


@pytest.mark.parametrize("command", list(commands()), ids=" ".join)
def test_help_is_plain(command: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    assert status_of([*command, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Exit status: 0 fine" in text
    assert set(re.findall(r"--empty-[a-z]+|--no-[a-z]+|default: (?:False|\"\"|None)\b", text)) <= MEANT


def test_the_kinds_that_help_names_are_kinds(capsys: pytest.CaptureFixture[str]) -> None:
    status_of(["findings", "--help"])
    text = " ".join(re.sub(r"[│\s]+", " ", capsys.readouterr().out).split())
    named = re.search(r"of this kind, as ([a-z-]+) or ([a-z-]+)\.", text)
    assert named is not None
    assert [kind for kind in named.groups() if kind not in SEVERITY] == []
