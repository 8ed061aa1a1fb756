"""How meters may be asked from a page: as the settings' printers are, by the same references."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pagereeve.settings import PrinterSettings, Settings
from pagereeve.settings.snmp_access import accesses_of, strange_references

ETC = Path("/etc/pagereeve")


def printer(name: str, **more: Any) -> PrinterSettings:
    return PrinterSettings.model_validate({"name": name, "host": "192.0.2.1", "port": 161 + len(name), **more})


V3 = {"version": "3", "user": "reeve", "auth": "sha256", "auth_password_file": ETC / "auth"}
SITE = Settings(
    printers=(
        printer("a"),
        printer("ab", community_file=ETC / "secrets/lib"),
        printer("abc", community_file=ETC / "secrets/lib"),
        printer("abcd", community_env="LIB_COMMUNITY"),
        printer("abcde", community="written-here"),
        printer("abcdef", **V3),
        printer("abcdefg", version="1"),
    )
)


def test_each_way_is_offered_once_and_no_secret_is_among_them() -> None:
    offered = accesses_of(SITE)
    assert [one.text for one in offered] == [
        "SNMP v2c, community public",
        "SNMP v1, community public",
        "SNMP v2c, community of /etc/pagereeve/secrets/lib",
        "SNMP v2c, community of LIB_COMMUNITY",
        "SNMP v3, user reeve, as abcdef",
    ]
    assert "written-here" not in repr(offered)
    again = printer("x", **dict(offered[4].members))
    assert (again.user, again.auth, again.auth_password_file) == ("reeve", "sha256", ETC / "auth")


def strange(**row: str) -> list[str]:
    return [one.where for one in strange_references([row], [7], SITE, ETC)]


def test_a_reference_that_no_printer_uses_for_that_purpose_is_refused_by_line() -> None:
    assert strange(name="x", host="h") == []
    assert strange(community_file="secrets/lib", community_env="LIB_COMMUNITY") == []
    assert strange(community_file="/etc/pagereeve/secrets/../secrets/lib") == []
    assert strange(community_file="/var/lib/pagereeve/badge.key") == ["line 7, community_file"]
    assert strange(community_file="lib", community_env="HOME") == ["line 7, community_file", "line 7, community_env"]
    # The password of a user would go out in clear as a community.
    assert strange(community_file="auth") == ["line 7, community_file"]
    assert strange(auth_password_file="auth", priv_password_file="auth") == ["line 7, priv_password_file"]
