"""Credentials of the settings: names, acts, and files that hold what can be shown and not guessed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.credentials.tokens import digest_of
from pagereeve.domain.facts.events import FINDING_DECIDED, RELEASE_STARTED
from pagereeve.settings import BadSettings, load_settings
from pagereeve.settings.credentials import GivenCredential
from tests.credentials import KEY, SECRET, token_of


def given(folder: Path, text: str, **files: str) -> tuple[GivenCredential, ...]:
    """What the settings give; files are named with underscores for full stops."""
    for name, content in files.items():
        path = folder / name.replace("_", ".")
        path.write_text(content, encoding="utf-8")
        path.chmod(0o600)
    config = folder / "pagereeve.toml"
    config.write_text(f"[http]\n{text}", encoding="utf-8")
    return load_settings(config, {}).http_credentials()


def problems(folder: Path, text: str, **files: str) -> str:
    with pytest.raises(BadSettings) as raised:
        given(folder, text, **files)
    return str(raised.value)


def row(**members: Any) -> str:
    shown = {name: f'"{value}"' if isinstance(value, str) else value for name, value in members.items()}
    return "[[http.credentials]]\n" + "".join(f"{name} = {value}\n" for name, value in shown.items())


def test_a_token_file_is_a_credential_named_after_it_that_sends_and_notes(tmp_path: Path) -> None:
    (one,) = given(tmp_path, 'token_files = ["release-server"]', **{"release-server": token_of("a") + "\n"})
    assert one.credential.caller == Caller("release-server", frozenset({"send", "note"}))
    assert one.credential.digest == digest_of(token_of("a").encode())
    assert one.is_token
    assert token_of("a") not in repr(one)


def test_a_row_says_what_it_may_do_for_whom_and_until_when(tmp_path: Path) -> None:
    text = row(name="accounting", acts=["decide", "read"], token_file="a.token", sources=["/desk"])
    (one,) = given(
        tmp_path, text + f'types = ["{FINDING_DECIDED}"]\nexpires = 1970-01-01T01:00:01+01:00', a_token=token_of("a")
    )
    expected = Caller("accounting", frozenset({"decide", "read"}), frozenset({"/desk"}), frozenset({FINDING_DECIDED}))
    assert one.credential.caller == expected
    assert one.credential.expires_us == 1_000_000


def test_a_signers_secret_is_read_from_its_file(tmp_path: Path) -> None:
    (one,) = given(tmp_path, row(name="s", acts=["send"], secret_file="s.secret"), s_secret=SECRET)
    assert (one.credential.key, one.credential.digest, one.is_token) == (KEY, "", False)
    assert SECRET not in repr(one)


@pytest.mark.parametrize("mode", [0o604, 0o620, 0o606, 0o644, 0o666])
def test_a_signers_secret_that_others_can_read_or_change_is_refused(tmp_path: Path, mode: int) -> None:
    text = row(name="s", acts=["send"], secret_file="s.secret")
    given(tmp_path, text, s_secret=SECRET)
    (tmp_path / "s.secret").chmod(mode)
    config = load_settings(tmp_path / "pagereeve.toml", {})
    with pytest.raises(BadSettings, match=f"is open to other users \\(mode {mode:04o}\\); chmod 600"):
        config.http_credentials()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "is empty"),
        ("   ", "holds a blank"),
        ("two words that are long enough", "holds a blank"),
        ("x" * 40 + "\x00", "control character"),
        ("x" * 40 + "é", "holds a blank, a control character or one outside of ASCII"),
        ("x" * 21, "is shorter than 22 characters (128 bits)"),
    ],
)
def test_a_token_that_no_header_can_carry_or_that_is_short_is_an_error(tmp_path: Path, content: str, told: str) -> None:
    for text in ('token_files = ["a.token"]', row(name="a", acts=["send"], token_file="a.token")):
        said = problems(tmp_path, text, a_token=content)
        assert told in said
        assert "a.token" in said
        assert "xxx" not in said
        assert "two words" not in said


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (row(name="a", acts=["send"]), "[[http.credentials]] 'a': needs a token_file"),
        (row(name="a", acts=["send"], token_file="a.token", secret_file="b.secret"), "needs a token_file"),
        (row(name="a", acts=["send"], token_file="gone"), "gone can't be read"),
        (row(name="a", acts=["send"], secret_file="gone"), "gone can't be read"),
        (row(name="a", acts=["send"], secret_file="a.token"), "holds no secret of Standard Webhooks"),
        (row(name="a", acts=[], token_file="a.token"), "[[http.credentials]] 'a' (line 2), acts"),
        (row(name="a", acts=["rule"], token_file="a.token"), "[[http.credentials]] 'a' (line 2), the 1st of acts"),
        (row(name="a b", acts=["send"], token_file="a.token"), "is no name"),
        (row(name="a", acts=["send"], token_file="a.token", sources=[]), "sources"),
        (row(name="a", acts=["send"], token_file="a.token", types=["x"]), "is no type of event; known are"),
        (row(name="a", acts=["read"], token_file="a.token", types=[RELEASE_STARTED]), "needs the act send"),
        (row(name="a", acts=["send"], token_file="a.token") + "expires = 2028-01-01T00:00:00", "expires"),
        (
            row(name="a", acts=["send"], token_file="a.token") + row(name="a", acts=["read"], token_file="c.token"),
            "a names more than one credential",
        ),
        (
            row(name="a", acts=["send"], token_file="a.token") + row(name="b", acts=["read"], token_file="a.token"),
            "holds the same as another one's file",
        ),
        (
            'token_files = ["a.token"]\n' + row(name="a.token", acts=["send"], token_file="c.token"),
            "names more than one",
        ),
        ("".join(row(name=f"n{n}", acts=["send"], token_file="a.token") for n in range(17)), "http.credentials"),
    ],
)
def test_each_error_is_named_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    files = {"a_token": token_of("a"), "c_token": token_of("c"), "b_secret": SECRET}
    said = problems(tmp_path, text, **files)
    assert told in said
    assert not any(content in said for content in files.values())


def test_a_file_whose_name_names_nobody_is_an_error(tmp_path: Path) -> None:
    said = problems(tmp_path, 'token_files = ["my token"]', **{"my token": token_of("a")})
    assert "'my token' can name no credential; rename the file" in said


def test_all_errors_are_said_at_once(tmp_path: Path) -> None:
    text = 'token_files = ["gone", "a.token"]\n' + row(name="a", acts=["send"])
    said = problems(tmp_path, text, a_token="short")
    assert [place in said for place in ("http.token_files, 'gone'", "http.token_files, 'a.token'", "'a': ")] == [
        True
    ] * 3
