"""What the comments of the example settings say of each setting.

A comment is a line that begins with ``# ``, a setting that is commented out one that begins with ``#name``. A comment
is about the settings that follow it up to the next one; it may list members, a name and its text in columns.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

_HEAD: Final = re.compile(r"#?\[{1,2}([a-z_.]+)\]{1,2}")
_SETTING: Final = re.compile(r"#?([a-z_]+) = .*")
_MEMBER: Final = re.compile(r"#   ([a-z_]+) {2,}(\S.*)")
_GOES_ON: Final = re.compile(r"# {6,}(\S.*)")
_TEXT: Final = re.compile(r"# +(\S.*)")


@dataclass(frozen=True, slots=True)
class ExampleWords:
    """``tables`` by their place (``http.credentials``), ``settings`` by table and name, ``members`` as ``settings``.

    ``members`` are those that a comment lists, by the table or the setting that the comment is about.
    """

    tables: dict[str, str] = field(default_factory=dict)
    settings: dict[tuple[str, str], str] = field(default_factory=dict)
    members: dict[tuple[str, str], str] = field(default_factory=dict)


def example_words(text: str) -> ExampleWords:
    """``text`` is that of contrib/example.toml."""
    words = ExampleWords()
    table = ""
    for comment, what in _blocks(text):
        said, members = _parted(comment)
        head = _HEAD.fullmatch(what)
        if head is not None:
            table = head[1]
            words.tables.setdefault(table, said)
        place = table
        if (setting := _SETTING.fullmatch(what)) is not None:
            place = f"{table}.{setting[1]}"
            words.settings.setdefault((table, setting[1]), said)
        for name, member in members.items():
            words.members.setdefault((place, name), member)
    return words


def _blocks(text: str) -> Iterator[tuple[list[str], str]]:
    """(the lines of the comment before it, a head or a setting). Settings in a row share a comment."""
    comment: list[str] = []
    used = False
    for line in text.splitlines():
        if _HEAD.fullmatch(line) or _SETTING.fullmatch(line):
            yield comment, line
            used = True
            if _HEAD.fullmatch(line):
                comment = []
        elif _TEXT.fullmatch(line):
            comment = [line] if used else [*comment, line]
            used = False
        elif not line.strip():
            comment, used = [], False


def _parted(comment: list[str]) -> tuple[str, dict[str, str]]:
    """The prose in one line, and the members that are listed in columns."""
    prose: list[str] = []
    members: dict[str, str] = {}
    last = ""
    for line in comment:
        if (member := _MEMBER.fullmatch(line)) is not None:
            last = member[1]
            members[last] = member[2]
        elif last and (more := _GOES_ON.fullmatch(line)) is not None:
            members[last] += f" {more[1]}"
        elif (plain := _TEXT.fullmatch(line)) is not None:
            last = ""
            prose.append(plain[1].strip())
    return " ".join(prose), members
