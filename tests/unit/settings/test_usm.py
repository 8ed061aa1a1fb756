"""Whom to be for SNMPv3: what fits together, and secrets that stay where they are."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from pagereeve.ports.secrets import NoSecret
from pagereeve.settings import BadSettings, PrinterSettings, Settings, load_settings

PLACE: dict[str, Any] = {"name": "p", "host": "h"}


def test_a_user_comes_with_its_passwords_from_file_and_environment(tmp_path: Path) -> None:
    (tmp_path / "auth").write_text("Qx7-horse-battery\n")
    entry: dict[str, Any] = {
        **PLACE,
        "version": "3",
        "user": "reader",
        "auth": "sha256",
        "auth_password_file": tmp_path / "auth",
        "priv": "aes",
        "priv_password_env": "PRIV_WORD",
        "context": "printer",
    }
    printer = PrinterSettings(**entry)
    target = printer.target({"PRIV_WORD": "Zk9-staple-correct"})
    assert target.user is not None
    assert (target.version, target.user.name, target.user.context) == ("3", "reader", "printer")
    assert target.user.auth_password == "Qx7-horse-battery"
    assert target.user.priv_password == "Zk9-staple-correct"
    for shown in (repr(target), repr(target.user), repr(printer)):
        assert "Qx7" not in shown
        assert "Zk9" not in shown


@pytest.mark.parametrize(
    ("members", "complaint"),
    [
        ({"version": "3"}, "version 3 needs a user"),
        ({"auth": "sha", "auth_password_env": "X"}, "name the user"),
        ({"user": "u", "priv": "aes", "priv_password_env": "X"}, "priv without auth"),
        ({"user": "u", "auth": "sha"}, "auth and one of auth_password_file"),
        ({"user": "u", "auth_password_env": "X"}, "auth and one of auth_password_file"),
        (
            {"user": "u", "auth": "sha", "auth_password_env": "X", "auth_password_file": "f"},
            "auth and one of auth_password_file",
        ),
        ({"user": "u", "auth": "md5", "auth_password_env": "X"}, "md5 can be broken"),
        ({"user": "u", "auth": "sha3", "auth_password_env": "X"}, "auth"),
        ({"user": "", "version": "3"}, "user"),
    ],
)
def test_what_does_not_fit_together_is_refused(members: dict[str, Any], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        PrinterSettings(**PLACE, **members)


def test_weak_protocols_are_taken_where_they_are_allowed() -> None:
    members: dict[str, Any] = {"auth": "md5", "auth_password_env": "A", "priv": "des", "priv_password_env": "B"}
    printer = PrinterSettings(**PLACE, version="3", user="u", allow_weak=True, **members)
    user = printer.target({"A": "x" * 8, "B": "y" * 8}).user
    assert user is not None
    assert user.allow_weak


def test_a_short_password_is_told_by_its_place_and_not_by_its_letters(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("Qx7ab")
    text = (
        '[[printers]]\nname = "north-1"\nhost = "h"\nversion = "3"\nuser = "u"\nauth = "sha"\n'
        'auth_password_file = "word"\n'
    )
    (tmp_path / "s.toml").write_text(text)
    settings: Settings = load_settings(tmp_path / "s.toml", {})
    with pytest.raises(BadSettings, match=r"printer north-1: its secrets: the auth password has fewer than 8") as bad:
        settings.targets({})
    assert "Qx7" not in str(bad.value)
    with pytest.raises(NoSecret, match="has no MISSING"):
        PrinterSettings(**PLACE, version="3", user="u", auth="sha", auth_password_env="MISSING").target({})
