"""What a proof found as a printer's entry, ready for the settings file."""

from __future__ import annotations

import json
from collections.abc import Mapping

from pagereeve.proof.results import Calibration, Proof

DEFAULT_SETTLE_S = 10


def fragment_of(proof: Proof, kept: Mapping[str, str | int | bool]) -> str:
    """TOML of one ``[[printers]]`` entry: what it says already, then what must answer and what pages proved.

    ``kept`` is what it says already, with names of secret files and never secrets.
    """
    found = proof.calibration
    proven = {
        "version": found.version or "",
        "serial": found.serial,
        "object_id": found.object_id,
        "unit": found.unit.value if found.unit else "",
    }
    members = {**kept, **{name: value for name, value in proven.items() if value}}
    lines = [f"{name} = {_value(value)}" for name, value in members.items()]
    policy = _policy(found)
    return "\n".join(["[[printers]]", *lines, *([f"policy = {{ {', '.join(policy)} }}"] if policy else [])]) + "\n"


def _policy(found: Calibration) -> list[str]:
    members = []
    if found.settle_s is not None and found.settle_s > DEFAULT_SETTLE_S:
        members.append(f'settle = "{found.settle_s}s"')
    if found.blank_backs != "unknown":
        members.append(f"blank_backs = {_value(found.blank_backs)}")
    if found.separator_sheets:
        members.append(f"separator_sheets = {found.separator_sheets}")
    return members


def _value(value: str | int | bool) -> str:
    """JSON's booleans, integers and strings are TOML 1.0's, as long as no character is split into surrogates."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
