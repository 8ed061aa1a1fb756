"""Writes the dashboards to dashboards/grafana, or with --check says which of them are not what would be written.

Run from the repository's root: ``python -m dashboards.make_dashboards [--check]``. Exit status 1: one differs.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Final

from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models.dashboard import Dashboard

from dashboards.daemon import daemon
from dashboards.fleet import fleet
from dashboards.month import month
from dashboards.printer import printer

FOLDER: Final = Path(__file__).parent / "grafana"


def texts() -> dict[str, str]:
    """File name to JSON, the same for the same code."""
    made = {"fleet": fleet(), "printer": printer(), "daemon": daemon(), "month": month()}
    return {f"{name}.json": _text(one.build()) for name, one in made.items()}


def _text(made: Dashboard) -> str:
    for number, panel in enumerate(made.panels or [], start=1):
        panel.id_val = number
    return json.dumps(made, cls=JSONEncoder, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def differing() -> list[str]:
    """Files that are missing, differ, or that nothing makes any more."""
    wanted = texts()
    there = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    return sorted(name for name in wanted.keys() | there.keys() if wanted.get(name) != there.get(name))


def main(arguments: list[str]) -> int:
    if arguments == ["--check"]:
        wrong = differing()
        for name in wrong:
            print(f"{name} is not what this program makes; run it without --check")
        return 1 if wrong else 0
    if arguments:
        print(f"unknown option {arguments[0]}; only --check is known", file=sys.stderr)
        return 2
    FOLDER.mkdir(exist_ok=True)
    for name, text in texts().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
