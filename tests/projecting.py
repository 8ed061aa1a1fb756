"""`pagereeve project` on facts, as a person runs it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Fact
from pagereeve.reports.facts_file import FactLine, line_bytes

Project = Callable[..., Any]


def projecting(folder: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    """Of facts and options: what the command says as JSON, or with ``text=True`` in words."""

    def project(facts: Iterable[Fact], *options: str, text: bool = False) -> Any:
        file = folder / "facts.ndjson"
        file.write_bytes(b"\n".join(line_bytes(FactLine(fact)) for fact in facts) + b"\n")
        capsysbinary.readouterr()
        status_of(["project", str(file), *options, *([] if text else ["--json"])])
        said = capsysbinary.readouterr().out
        return said.decode() if text else json.loads(said)

    return project


def kinds(body: Any, printer: str | None = None) -> list[str]:
    """Of the findings of a printer, or of the site."""
    rows = body["site"] if printer is None else body["printers"][printer]
    return sorted(one["kind"] for one in rows["findings"])
