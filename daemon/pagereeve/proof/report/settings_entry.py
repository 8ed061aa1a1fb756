"""What a proof found as a printer's entry, ready for the settings file."""

from __future__ import annotations

from collections.abc import Mapping

from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.domain.values.toml_text import toml_value
from pagereeve.proof.results import Calibration, Proof

DEFAULT_SETTLE_S = 10.0

Value = str | int | float | bool | Mapping[str, "Value"]


def fragment_of(
    proof: Proof,
    kept: Mapping[str, Value],
    kept_policy: Mapping[str, Value] | None = None,
    settle_now_s: float = DEFAULT_SETTLE_S,
) -> str:
    """TOML of one ``[[printers]]`` entry: what it says already, then what must answer and what pages proved.

    ``kept`` is what it says already, with names of secret files and never secrets; ``kept_policy`` the printer's own
    rules. A settle time is only ever lengthened beyond ``settle_now_s``: few small pages say little of large jobs.
    """
    found = proof.calibration
    proven = {
        "version": found.version or "",
        "serial": found.serial,
        "object_id": found.object_id,
        "unit": found.unit.value if found.unit else "",
        "unit_grade": UnitGrade.PROVEN.value if found.unit else "",
    }
    members = {**kept, **{name: value for name, value in proven.items() if value}}
    lines = [f"{name} = {toml_value(value)}" for name, value in members.items()]
    rules = {**(kept_policy or {}), **_policy(found, settle_now_s)}
    policy = [f"{name} = {toml_value(value)}" for name, value in rules.items()]
    return "\n".join(["[[printers]]", *lines, *([f"policy = {{ {', '.join(policy)} }}"] if policy else [])]) + "\n"


def _policy(found: Calibration, settle_now_s: float) -> dict[str, Value]:
    members: dict[str, Value] = {}
    if found.settle_s is not None and found.settle_s > settle_now_s:
        members["settle"] = f"{found.settle_s}s"
    if found.blank_backs != "unknown":
        members["blank_backs"] = found.blank_backs
    if found.separator_sheets is not None:
        members["separator_sheets"] = found.separator_sheets
    return members
