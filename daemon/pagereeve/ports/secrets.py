"""Secrets come from a file or from the environment; no error ever holds one, not even in part."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

SECRET_MAX_BYTES: Final = 4096


class NoSecret(ValueError):
    """What kept a secret from being read; holds names, never values. ``setting`` is its own, where it is known."""

    def __init__(self, problem: str, setting: str = "") -> None:
        super().__init__(f"{setting}: {problem}" if setting else problem)
        self.setting = setting


@contextmanager
def named_by(setting: str) -> Iterator[None]:
    """What is read within is what ``setting`` names. Raises NoSecret, which says so."""
    try:
        yield
    except NoSecret as error:
        raise NoSecret(str(error), setting) from None


def secret_from_file(path: Path) -> str:
    """The file's text without the line end at its close. Raises NoSecret."""
    try:
        with path.open("rb") as file:
            raw = file.read(SECRET_MAX_BYTES + 1)
    except OSError as error:
        raise NoSecret(f"{path} can't be read ({error.strerror}); create it, readable for the daemon only") from None
    if len(raw) > SECRET_MAX_BYTES:
        raise NoSecret(f"{path} is longer than {SECRET_MAX_BYTES} bytes; a secret file holds the secret alone")
    try:
        text = raw.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        # The decoder's own message quotes bytes of the secret.
        raise NoSecret(f"{path} is not UTF-8; write it as plain text") from None
    return _whole(text, str(path))


def secret_from_environment(name: str, environment: Mapping[str, str]) -> str:
    """Raises NoSecret."""
    if name not in environment:
        raise NoSecret(f"the environment has no {name}; set it, or name a file instead")
    return _whole(environment[name], name)


def _whole(text: str, source: str) -> str:
    if not text:
        raise NoSecret(f"{source} is empty; put the secret into it")
    if not text.isprintable():
        raise NoSecret(f"{source} holds a line break or a control character; a secret is one line of text")
    return text
