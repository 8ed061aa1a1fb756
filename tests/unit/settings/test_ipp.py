"""What an entry says of a printer's IPP, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pagereeve.ports.meter import IppTls
from pagereeve.settings.crosschecks import problems_between
from pagereeve.settings.errors import BadSettings
from pagereeve.settings.places import Places
from pagereeve.settings.single_printer import lone_printer

DIGITS = "0123456789abcdef" * 4
IN_PAIRS = ":".join(DIGITS[at : at + 2] for at in range(0, 64, 2)).upper()


@pytest.mark.parametrize(
    ("said", "tls"),
    [
        ({}, None),
        ({"ipp_port": 631}, None),
        ({"ipp_port": 631, "ipp_tls": True}, IppTls()),
        ({"ipp_port": 443, "ipp_tls": True, "ipp_fingerprint": DIGITS}, IppTls(DIGITS)),
        ({"ipp_port": 443, "ipp_tls": True, "ipp_fingerprint": IN_PAIRS}, IppTls(DIGITS)),
        ({"ipp_port": 443, "ipp_tls": True, "ipp_ca_file": "ca.pem"}, IppTls("", Path("ca.pem"))),
    ],
)
def test_what_is_checked_is_what_the_entry_says(said: dict[str, Any], tls: IppTls | None) -> None:
    target = lone_printer("printer.example", said).target({})
    assert (target.ipp_port, target.ipp_tls) == (said.get("ipp_port"), tls)


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"ipp_tls": True}, "ipp_port"),
        ({"ipp_port": 631, "ipp_fingerprint": DIGITS}, "ipp_tls = true"),
        ({"ipp_port": 631, "ipp_tls": True, "ipp_fingerprint": DIGITS[1:]}, "64 hexadecimal digits"),
        ({"ipp_port": 631, "ipp_tls": True, "ipp_fingerprint": DIGITS, "ipp_ca_file": "a"}, "keep one"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_to_write(said: dict[str, Any], text: str) -> None:
    with pytest.raises(BadSettings) as raised:
        lone_printer("printer.example", said)
    assert text in str(raised.value)


def test_two_printers_of_one_host_are_told_apart_by_the_port_at_which_they_are_counted() -> None:
    rows = [{"name": f"p{nth}", "host": "gw.example", "meter": "ipp", "ipp_port": 6310 + nth} for nth in range(2)]
    assert problems_between([], rows, {}) == []
    same = [rows[0], {**rows[1], "ipp_port": 6310}]
    (problem,) = problems_between([], same, {})
    assert Places({"printers": same}).problem(problem).where.startswith("[[printers]] 'p1', ")
