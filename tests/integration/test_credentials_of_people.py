"""Credentials of people who sign in: made and revoked by commands, with passwords that no command line holds."""

from __future__ import annotations

import asyncio
import io
import json
import sys
from pathlib import Path

import pytest

from pagereeve.app.credential_changes import BadCredential
from pagereeve.cli import status_of
from pagereeve.cli.passwords import asked_password
from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.domain.credentials.book import CredentialBook, NotKnown
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.reads import SqlReads
from tests.credentials import NOW_US

GOOD = "four pages of rhubarb"
ADD = ["credentials", "add", "mara", "--act", "read", "--act", "names", "--password", "--data-dir"]


def typed(monkeypatch: pytest.MonkeyPatch, raw: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw)))


async def book_of(folder: Path) -> CredentialBook:
    async with await SqlReads.open_for_reading(folder / JOURNAL_NAME) as reads:
        return CredentialBook(one.credential for one in await reads.credentials())


def test_a_credential_is_made_listed_and_revoked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, f"{GOOD}\r\nmore".encode())
    assert status_of([*ADD, str(tmp_path)]) == 0
    assert capsys.readouterr().out == "Added: mara, who may read, names.\n"
    book = asyncio.run(book_of(tmp_path))
    assert book
    found = book.for_sign_in("mara")
    assert found is not None
    assert found.digest.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert found.caller_at(NOW_US).acts == {"read", "names"}
    for shown in (GOOD, found.digest, "mara"):
        with pytest.raises(NotKnown):
            book.of_token(shown.encode(), NOW_US)

    changed = ["credentials", "password", "mara", "--data-dir", str(tmp_path)]
    typed(monkeypatch, b"too short\n")
    assert status_of(changed) == 2
    typed(monkeypatch, b"another one of mine\n")
    assert status_of(changed) == 0
    assert capsys.readouterr().out == "Changed: the password of mara.\n"
    other = asyncio.run(book_of(tmp_path)).for_sign_in("mara")
    assert other is not None
    assert other.caller == found.caller
    assert other.digest != found.digest
    assert asyncio.run(Passwords().is_right(other.digest, "another one of mine"))

    proxied = ["credentials", "add", "juno", "--act", "read", "--proxy", "--data-dir", str(tmp_path)]
    assert status_of(proxied) == 0
    capsys.readouterr()
    assert status_of(["credentials", "list", "--json", "--data-dir", str(tmp_path)]) == 0
    listed = capsys.readouterr().out
    shows = {one["name"]: one["shows"] for one in json.loads(listed)["credentials"]}
    assert shows == {"mara": "password", "juno": "proxy"}
    assert "argon2" not in listed
    for name, word in (("juno", "has no password"), ("nobody", "is no credential")):
        typed(monkeypatch, GOOD.encode())
        assert status_of(["credentials", "password", name, "--data-dir", str(tmp_path)]) == 2
        assert word in capsys.readouterr().err
    assert status_of(["credentials", "revoke", "mara", "--data-dir", str(tmp_path)]) == 0
    gone = asyncio.run(book_of(tmp_path)).for_sign_in("mara")
    assert gone is not None
    with pytest.raises(NotKnown, match="revoked"):
        gone.caller_at(NOW_US)


@pytest.mark.parametrize(
    ("raw", "more", "word"),
    [
        (b"too short\n", (), "has 9 of at least 15"),
        (b"", (), "has 0 of"),
        (b"\xff" * 20 + b"\n", (), "not UTF-8"),
        (b"nul in the mid\0dle\n", (), "control character"),
        (b"x" * 9_000, (), "more than 200"),
        (GOOD.encode(), ("--proxy",), "are ways to sign in"),
    ],
)
def test_what_can_be_no_credential_is_refused(
    raw: bytes,
    more: tuple[str, ...],
    word: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed(monkeypatch, raw)
    assert status_of([*ADD, str(tmp_path), *more]) == 2
    said = capsys.readouterr().err
    assert word in said
    assert len(raw) < 15 or raw.decode("latin-1").strip() not in said
    assert not (tmp_path / JOURNAL_NAME).exists()


def test_who_could_see_nothing_needs_no_credential(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, GOOD.encode())
    asked = ["credentials", "add", "mara", "--act", "names", "--password", "--data-dir", str(tmp_path)]
    assert status_of(asked) == 2
    assert "--act read" in capsys.readouterr().err


def test_a_person_whom_a_provider_knows_by_a_subject(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config, secret = tmp_path / "pagereeve.toml", tmp_path / "secret"
    secret.write_text("an invented secret")
    data = f'data_dir = "{tmp_path}/data"\n'
    config.write_text(
        f'{data}[console.oidc]\nissuer = "https://id.example"\nclient_id = "pagereeve"\n'
        f'client_secret_file = "secret"\npublic_address = "https://pages.example"\n'
    )

    def added(name: str, subject: str) -> int:
        return status_of(["credentials", "add", name, "--act", "read", "--oidc", subject, "--config", str(config)])

    assert added("mara", "248289761001") == 0
    assert capsys.readouterr().out == "Added: mara, who may read.\n"
    book = asyncio.run(book_of(tmp_path / "data"))
    found = book.of_subject("https://id.example", "248289761001")
    assert found is not None
    assert (found.caller.name, found.password) == ("mara", None)
    assert book.of_subject("https://other.example", "248289761001") is None
    assert b"248289761001" not in (tmp_path / "data" / JOURNAL_NAME).read_bytes()
    for name, subject, word in (
        ("juno", "248289761001", "signs in as mara"),
        ("juno", " ", "subject is empty"),
        ("juno", "s" * 256, "more than 255"),
        ("juno", "é", "printable ASCII"),
    ):
        assert added(name, subject) == 2
        assert word in capsys.readouterr().err
    assert status_of(["credentials", "password", "mara", "--config", str(config)]) == 2
    assert status_of(["credentials", "list", "--json", "--config", str(config)]) == 0
    assert [one["shows"] for one in json.loads(capsys.readouterr().out)["credentials"]] == ["oidc"]
    # A subject is free again once its credential is revoked; a name never is.
    assert status_of(["credentials", "revoke", "mara", "--config", str(config)]) == 0
    assert added("mara-2", "248289761001") == 0
    assert added("both", "x") == 0
    config.write_text(data)
    capsys.readouterr()
    assert added("nobody", "x-2") == 2
    assert "[console.oidc]" in capsys.readouterr().err


@pytest.mark.parametrize("second", [GOOD, "another one of mine"])
def test_at_a_terminal_it_is_asked_for_twice_and_not_shown(second: str, monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    answers, questions = [GOOD, second], []

    def asked(question: str, _: object) -> str:
        questions.append(question)
        return answers[len(questions) - 1]

    monkeypatch.setattr(sys, "stdin", Terminal())
    monkeypatch.setattr("getpass.getpass", asked)
    if second == GOOD:
        assert asked_password("mara") == GOOD
    else:
        with pytest.raises(BadCredential, match="not the same"):
            asked_password("mara")
    assert questions == ["Password of mara: ", "Once more: "]
