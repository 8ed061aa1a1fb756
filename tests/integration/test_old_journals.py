"""What an older version wrote still opens, and comes to the same facts to the byte and to the same ledger.

test_upgrade.py starts the daemon on a journal of each revision.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from pagereeve.cli import status_of

OLD = Path(__file__).parent / "journals"
# Sentences are made for people, and say things otherwise from version to version.
NEW_WORDS = {"text", "what", "evidence", "releases"}


@pytest.fixture(params=sorted(path.parent.name for path in OLD.glob("*/ledger.json.gz")))
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A copy of the files of one revision, unpacked."""
    for packed in (OLD / request.param).glob("*.gz"):
        (tmp_path / packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
    return tmp_path


def rows(ledger: dict[str, Any]) -> dict[str, Any]:
    """The rows of each printer, without words, and without what is no row; printer "" is the whole site."""
    printers: dict[str, Any] = {**ledger["printers"], "": ledger.get("site", ledger.get("house"))}
    for printer in printers.values():
        printer.pop("waiting", None)
        printer["findings"] = [{k: v for k, v in one.items() if k not in NEW_WORDS} for one in printer["findings"]]
    return printers


def test_facts_travel_to_the_byte(old: Path) -> None:
    opened = [str(old), "--out", str(old / "again.ndjson")]
    assert status_of(["replay", "--data-dir", str(old)]) in {0, 1}
    assert status_of(["facts", "--data-dir", *opened]) == 0
    assert (old / "again.ndjson").read_bytes() == (old / "facts.ndjson").read_bytes()


def test_the_ledger_is_the_same(old: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["project", str(old / "facts.ndjson"), "--json"]) == 0
    assert rows(json.loads(capsys.readouterr().out)) == rows(json.loads((old / "ledger.json").read_bytes()))


def test_a_replay_of_the_journal_leaves_nothing_to_differ(old: Path) -> None:
    assert status_of(["replay", "--data-dir", str(old)]) in {0, 1}
    assert status_of(["replay", "--check", "--data-dir", str(old)]) == 0


def test_a_backup_of_an_old_journal_is_restored_by_this_version(
    old: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """As before an upgrade: the copy is made by the new program, of tables that the old one made."""
    folder = tmp_path_factory.mktemp("elsewhere")
    assert status_of(["backup", str(folder / "backup"), "--data-dir", str(old)]) == 0
    assert status_of(["restore", str(folder / "backup"), "--data-dir", str(folder / "data")]) == 0
    assert status_of(["facts", "--data-dir", str(folder / "data"), "--out", str(folder / "again.ndjson")]) == 0
    assert (folder / "again.ndjson").read_bytes() == (old / "facts.ndjson").read_bytes()
    # The source is as it was: its tables are those of before.
    assert status_of(["facts", "--data-dir", str(old)]) == 2


def test_an_older_journal_is_sealed_from_its_first_start_on_and_says_so(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of(["replay", "--data-dir", str(old)]) in {0, 1}
    facts = len([line for line in (old / "facts.ndjson").read_bytes().splitlines() if b'"open":true' not in line])
    capsys.readouterr()
    assert status_of(["verify", "--data-dir", str(old)]) == 0
    assert f"sealed from fact {facts + 1} on; the {facts} before it as they stood at 20" in capsys.readouterr().out
