"""``pagereeve verify``: what it prints and exits with; proofs that a script without Pagereeve accepts or refuses."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.sealed_journal import edit, fill

SCRIPT = Path(__file__).parents[2] / "contrib" / "check_proof.py"
RELEASE = "printer-a-1-r"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    async def make() -> None:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
        await fill(journal)
        await replay_store(journal, store=True)
        await journal.close()

    asyncio.run(make())
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], status: int, *arguments: str) -> str:
    assert status_of(["verify", *arguments]) == status
    return capsys.readouterr().out


def checked(proof: Path, *head: str) -> subprocess.CompletedProcess[str]:
    """Isolated: neither our package nor what its environment has is there to be imported."""
    command = [sys.executable, "-I", "-S", str(SCRIPT), str(proof), *head]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_a_journal_as_sealed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    body = json.loads(said(capsys, 0, "--json", "--data-dir", str(folder)))
    head = f"{body['seal']['size']}:{body['seal']['head']}"
    lines = said(capsys, 0, "--data-dir", str(folder), "--head", head).splitlines()
    assert lines == [
        f"head {head} agrees",
        f"sealed from the first fact on, since {body['seal']['since']}",
        f"41 facts checked, all as sealed; journal {body['seal']['origin']}, head {head}",
    ]


def test_what_was_edited_is_named_on_a_line_of_its_own(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(
        folder / JOURNAL_NAME,
        "DELETE FROM fact WHERE printer = 'printer-b' AND seq = 7",
        "UPDATE fact SET body = replace(fact_text(body), 'owner-1', 'owner-2') WHERE printer = '' AND seq = 1",
    )
    lines = said(capsys, 1, "--data-dir", str(folder)).splitlines()
    assert lines[:2] == ["printer-b: fact 7 was removed", "the site: fact 1 is not what was sealed"]
    assert lines[-1].startswith("41 facts checked, 2 problems; journal ")
    body = json.loads(said(capsys, 1, "--json", "--data-dir", str(folder)))
    assert (body["good"], body["problems_count"]) == (False, 2)
    assert {(one["what"], one["printer"], one["seq"]) for one in body["problems"]} == {
        ("removed", "printer-b", 7),
        ("edited", "", 1),
    }


def test_heads_come_from_files_of_any_make(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What /v1/seal answered, what totals exported, a log with other lines, and a list."""
    seal = json.loads(said(capsys, 0, "--json", "--data-dir", str(folder)))["seal"]
    text = f"{seal['size']}:{seal['head']}"
    assert status_of(["totals", "--format", "json", "--data-dir", str(folder)]) == 0
    totals = capsys.readouterr().out
    assert json.loads(totals)["seal"] == seal
    made = {
        "answer.json": json.dumps(seal),
        "totals.json": totals,
        "log.ndjson": f"nothing\n{json.dumps({'event': 'ready'})}\n{json.dumps({'event': 'sealed', **seal})}\n",
        "list.txt": f"{text}\n{seal['head']}\n",
    }
    for name, content in made.items():
        (folder / name).write_text(content)
        lines = said(capsys, 0, "--data-dir", str(folder), "--head", str(folder / name)).splitlines()
        where = {"answer.json": name, "totals.json": name, "log.ndjson": f"{name}:3", "list.txt": f"{name}:1"}[name]
        assert lines[0] == f"head {text} ({where}) agrees"
    (folder / "late.txt").write_text(f"99:{'0' * 64}\n1:{'0' * 64}\n{'1' * 64}\n")
    lines = said(capsys, 1, "--data-dir", str(folder), "--head", str(folder / "late.txt")).splitlines()
    assert [line.partition(") ")[2][:40] for line in lines[:3]] == [
        "DIFFERS: the journal holds fewer facts t",
        "DIFFERS: the journal's first facts were ",
        "DIFFERS: no number of this journal's fac",
    ]
    assert status_of(["verify", "--data-dir", str(folder), "--head", "nothing"]) == 2
    (folder / "empty.txt").write_text("nothing\n")
    assert status_of(["verify", "--data-dir", str(folder), "--head", str(folder / "empty.txt")]) == 2
    assert "empty.txt holds no head" in capsys.readouterr().err


def test_the_ledger_names_the_head_that_it_was_made_from(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seal = json.loads(said(capsys, 0, "--json", "--data-dir", str(folder)))["seal"]
    assert status_of(["ledger", "--data-dir", str(folder)]) == 0
    assert f"; made from journal {seal['origin']}, head {seal['size']}:{seal['head']}\n" in capsys.readouterr().out


@pytest.mark.parametrize("opened", [False, True])
def test_the_independent_script_accepts_a_proof(
    folder: Path, capsys: pytest.CaptureFixture[str], *, opened: bool
) -> None:
    seal = json.loads(said(capsys, 0, "--json", "--data-dir", str(folder)))["seal"]
    proof = folder / "proof.json"
    flags = ["--opened"] if opened else []
    said(capsys, 0, "--data-dir", str(folder), "--proof", RELEASE, "--out", str(proof), *flags)
    text = f"{seal['size']}:{seal['head']}"
    for head in ((), (text,), (seal["head"],)):
        done = checked(proof, *head)
        assert (done.returncode, done.stderr) == (0, "")
        assert f"2 facts are under head {text} of journal {seal['origin']}" in done.stdout
        assert ("data.owner = owner-1" in done.stdout) is opened
    assert ("owner-1" in proof.read_text()) is opened
    assert ("Minutes" in proof.read_text()) is opened
    assert '"pages":3' in json.loads(proof.read_text())["facts"][0]["content"]
    assert checked(proof, "0" * 64).returncode == 1
    assert checked(proof, f"{seal['size'] + 1}:{seal['head']}").returncode == 1


CHANGES: dict[str, Callable[[dict[str, Any]], Any]] = {
    "the claim": lambda proof: proof["facts"][0].update(
        content=proof["facts"][0]["content"].replace('"pages":3', '"pages":2')
    ),
    "the owner": lambda proof: proof["facts"][0]["openings"]["data.owner"].update(value="owner-2"),
    "a salt": lambda proof: proof["facts"][0]["openings"]["data.owner"].update(salt="00" * 16),
    "another member's opening": lambda proof: proof["facts"][0]["openings"].update(
        {"data.job": proof["facts"][0]["openings"]["data.owner"]}
    ),
    "the number": lambda proof: proof["facts"][0].update(seq=9),
    "the printer": lambda proof: proof["facts"][0].update(timeline="printer-b"),
    "the place": lambda proof: proof["facts"][0].update(position=1),
    # A path alone does not say the size: it may fit the next one too. The head that somebody holds says it.
    "the size": lambda proof: proof.update(size=2 * proof["size"]),
    "the head": lambda proof: proof.update(head="0" * 64),
    "the journal": lambda proof: proof.update(origin="0" * 32),
    "a part of the path": lambda proof: proof["facts"][0]["path"].__setitem__(0, "0" * 64),
    "a shorter path": lambda proof: proof["facts"][0]["path"].pop(),
    "a longer path": lambda proof: proof["facts"][0]["path"].append("0" * 64),
    "the link before": lambda proof: proof["facts"][0].update(previous="0" * 64),
    "nothing": lambda proof: proof.update(facts=[]),
    "another kind of proof": lambda proof: proof.update(proof="x"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_the_independent_script_refuses_a_changed_proof(
    folder: Path, capsys: pytest.CaptureFixture[str], change: str
) -> None:
    proof = folder / "proof.json"
    said(capsys, 0, "--data-dir", str(folder), "--proof", RELEASE, "--opened", "--out", str(proof))
    assert checked(proof).returncode == 0
    members = json.loads(proof.read_text())
    CHANGES[change](members)
    proof.write_text(json.dumps(members))
    done = checked(proof)
    assert done.returncode == 1
    assert done.stderr.startswith("REFUSED: ")


def test_a_proof_needs_a_release_that_is_known_and_one_source(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["verify", "--data-dir", str(folder), "--proof", "no-such-release"]) == 2
    assert "no release 'no-such-release' is known" in capsys.readouterr().err


def test_the_script_is_of_the_standard_library_alone() -> None:
    text = SCRIPT.read_text()
    imports = {line.split()[1] for line in text.splitlines() if line.startswith(("import ", "from "))}
    assert imports == {"hashlib", "json", "pathlib", "sys", "typing"}
    assert len([line for line in text.splitlines() if line.strip()]) <= 60
