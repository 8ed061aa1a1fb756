"""Thousands of entries: checking them takes ten times as long as a tenth of them, and not a hundred times."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pagereeve.settings import BadSettings, load_settings
from pagereeve.settings.errors import SHOWN_MAX

FEW, MANY = 500, 5_000
# Ten times as many entries, and the wide ratio on top.
RATIO_MAX = 40.0


def csv_of(printers: int, gateway: str) -> str:
    gateways = printers // 10
    rows = (
        f"p{nth},h{nth % gateways},{1000 + nth // gateways},{gateway}{nth % gateways},h{nth % gateways},S{nth}"
        for nth in range(printers)
    )
    return "\n".join(["name,host,port,gateway,gateway_host,serial", *rows])


def toml_of(printers: int, gateway: str) -> str:
    gateways = printers // 10
    boxes = (f'[[gateways]]\nname = "g{nth}"\nhost = "h{nth}"' for nth in range(gateways))
    rows = (
        f'[[printers]]\nname = "p{nth}"\nhost = "h{nth % gateways}"\nport = {1000 + nth // gateways}\n'
        f'gateway = "{gateway}{nth % gateways}"\nserial = "S{nth}"'
        for nth in range(printers)
    )
    return "\n".join([*boxes, *rows])


def settings_file(folder: Path, name: str, text: str) -> Path:
    (folder / name).write_text(text)
    path = folder / f"{name}.settings.toml"
    path.write_text(f'include = ["{name}"]\n')
    return path


def seconds(path: Path, expected: int) -> float:
    began = time.process_time()
    try:
        found = len(load_settings(path, {}).printers)
    except BadSettings as refused:
        found = len(refused.problems)
    taken = time.process_time() - began
    assert found == expected
    return taken


@pytest.mark.alone
@pytest.mark.parametrize("gateway", ["g", "x"], ids=["sound", "every-gateway-unknown"])
@pytest.mark.parametrize(("kind", "text_of"), [("csv", csv_of), ("toml", toml_of)])
def test_ten_times_the_entries_take_ten_times_as_long(
    tmp_path: Path, kind: str, text_of: Callable[[int, str], str], gateway: str
) -> None:
    # A gateway that a CSV's line makes is known: without its address it is not.
    def text(printers: int) -> str:
        said = text_of(printers, gateway)
        return said.replace("gateway_host", "site") if gateway == "x" else said

    few = settings_file(tmp_path, f"few.{kind}", text(FEW))
    many = settings_file(tmp_path, f"many.{kind}", text(MANY))
    least = min(seconds(few, FEW) for _ in range(3))
    assert min(seconds(many, MANY) for _ in range(2)) < RATIO_MAX * least


def test_thousands_of_problems_are_all_there_and_some_are_shown(tmp_path: Path) -> None:
    path = settings_file(tmp_path, "few.toml", toml_of(FEW, "x"))
    with pytest.raises(BadSettings) as refused:
        load_settings(path, {})
    assert len(refused.value.problems) == FEW
    lines = str(refused.value).splitlines()
    assert len(lines) == 1 + SHOWN_MAX + 1
    assert lines[-1].strip() == f"and {FEW - SHOWN_MAX} more: correct these first, and look again"
