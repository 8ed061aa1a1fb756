"""What each schema revision wrote, today's daemon opens: one start, facts the same to the byte, rows that follow."""

from __future__ import annotations

import asyncio
import gzip
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.domain.ledger import Finding
from pagereeve.settings import PrinterSettings
from pagereeve.store.records.body_forms import unpacked_body
from tests.integration.daemon import Outside, hasty_settings, until

ROOT = Path(__file__).parents[2]
KEPT = Path(__file__).parent / "journals"
REVISIONS = sorted(
    path.name.partition("_")[0] for path in (ROOT / "daemon/pagereeve/store/migrations/versions").glob("r[0-9]*.py")
)
PRINTERS = ("printer-a", "printer-b", "printer-c")
OPEN = b'"open":true'
# Its facts lack members that came later: today's export writes each with the value that it had then, unwritten.
WITHOUT_LATER_MEMBERS = ("r0001",)


def test_every_revision_has_a_kept_journal_and_a_line_for_the_operator() -> None:
    """journals/README.md tells how the next one is kept."""
    kept = {path.name[:5] for path in KEPT.iterdir() if (path / "journal.sqlite.gz").exists()}
    assert len(REVISIONS) >= 10
    assert [one for one in REVISIONS if one not in kept] == []
    changes = (ROOT / "contrib/docs/changes.md").read_text(encoding="utf-8")
    assert [one for one in REVISIONS if f"| {one} |" not in changes] == []


def unpacked(name: str, folder: Path) -> bytes:
    """The kept data folder, in ``folder``; its facts as the old version wrote them."""
    folder.mkdir(mode=0o700)
    for packed in (KEPT / name).glob("*.gz"):
        if packed.stem not in {"facts.ndjson", "ledger.json"}:
            (folder / packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
            (folder / packed.stem).chmod(0o600)
    return gzip.decompress((KEPT / name / "facts.ndjson.gz").read_bytes())


async def started_once(folder: Path) -> None:
    """The daemon of today starts with it, stores a notice, answers questions, and stops."""
    printers = [PrinterSettings(name=name, host="127.0.0.1", port=port) for port, name in enumerate(PRINTERS, 1)]
    async with App(hasty_settings(folder, printers), first_reads_spread_s=0.0) as app, Outside(app) as outside:
        assert (await outside.started("after-the-upgrade", "printer-a", 3)).status_code < 300
        # Where no rows were kept, they are projected once the printers' watchers are at work.
        await until(partial(_findings, app), "findings of the journal")


async def _findings(app: App) -> Sequence[Finding] | None:
    return await app.store.findings(only_open=False) or None


def stored(folder: Path) -> set[tuple[str, int, str]]:
    """The facts as they are in the file: printer, number, body."""
    with closing(sqlite3.connect(folder / "journal.sqlite")) as database:
        rows = database.execute("SELECT printer, seq, body FROM fact")
        return {(printer, seq, unpacked_body(body)) for printer, seq, body in rows}


def has_all_of(old: Any, new: Any) -> bool:
    """Nothing of ``old`` is gone or changed in ``new``, which may have more members."""
    if not isinstance(old, dict) or not isinstance(new, dict):
        return bool(old == new)
    return all(name in new and has_all_of(value, new[name]) for name, value in old.items())


@pytest.mark.parametrize("name", sorted(path.parent.name for path in KEPT.glob("*/badge.key.gz")))
def test_one_start_upgrades_a_journal(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    before = unpacked(name, folder).splitlines()
    bodies = stored(folder)
    asyncio.run(started_once(folder))
    assert bodies - stored(folder) == set()
    where = ["--data-dir", str(folder)]
    assert status_of(["facts", *where, "--out", str(tmp_path / "after.ndjson")]) == 0
    after = (tmp_path / "after.ndjson").read_bytes().splitlines()
    assert any(b"after-the-upgrade" in line for line in after)
    old = [line for line in before if OPEN not in line]
    assert len(old) > 100
    if name in WITHOUT_LATER_MEMBERS:
        new = iter(map(json.loads, after))
        assert all(any(has_all_of(json.loads(line), one) for one in new) for line in old)
    else:
        known = set(old)
        assert [line for line in after if line in known] == old
    assert status_of(["replay", "--check", *where]) == 0
    assert status_of(["verify", *where]) == 0
