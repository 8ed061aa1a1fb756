"""A period is closed from the command line; whatever comes later, its exports stay the same to the byte."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.feeds.local.peer import this_user
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER, SIMPLE, reading, started
from tests.integration.daemon import hasty_settings
from tests.integration.test_cli import FACTS, RUN
from tests.integration.test_exports import SETTINGS, lines_of
from tests.page_decisions import origin, undone

DAY = "2026-11-25"
AFTER_US = 1_795_824_000_000_000  # 2026-11-28T00:00:00Z
LATE = 100


@pytest.fixture(autouse=True)
def after_the_day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)


@pytest.fixture
async def config(tmp_path: Path) -> Path:
    """Settings beside a journal with a release of 5 pages, 7 pages that nobody released, and a release not judged."""
    await _append(tmp_path, first=True)
    path = tmp_path / "pagereeve.toml"
    path.write_text(SETTINGS)
    return path


async def _append(folder: Path, *, first: bool = False, late: int = 0) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        if first:
            for fact in FACTS:
                await journal.append(fact)
            await journal.observe(PRINTER, [RUN], reading(105, 200, 1012))
            await journal.append(started("r-1002", 300, "=basil", SIMPLE))
        if late:
            facts = [started(f"late-{n}", 95 + n / 20, f"late-{n % 7}", SIMPLE) for n in range(late)]
            await journal.append_together(facts)
        await replay_store(journal, store=True)
    finally:
        await journal.close()


def run(config: Path, *asked: str) -> int:
    return status_of([*asked, "--config", str(config)])


AS_CSV = [(by, "csv") for by in ("person", "cost-centre", "printer", "day", "release")]
EACH_FORMAT = [*AS_CSV, ("release", "json"), ("person", "xlsx"), ("release", "parquet")]


def files_of(config: Path, place: str, wanted: list[tuple[str, str]]) -> dict[str, bytes]:
    folder = config.parent / place
    folder.mkdir()
    for by, kind in wanted:
        out = folder / f"{by}.{kind}"
        assert run(config, "totals", "--period", DAY, "--by", by, "--output", str(out)) == 0
    return {one.name: one.read_bytes() for one in sorted(folder.iterdir())}


def close(config: Path) -> None:
    assert run(config, "close", DAY, "--despite", "a jam") == 0


def test_what_stands_in_the_way_is_said_and_a_reason_is_needed(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(config, "close", DAY, "--dry-run", "--json") == 1
    concerns = {one["kind"]: one for one in json.loads(capsys.readouterr().out)["concerns"]}
    assert set(concerns) == {"windows-open", "findings-open", "meters-silent"}
    assert (concerns["windows-open"]["count"], concerns["windows-open"]["pages"]) == (1, 5)
    assert (concerns["findings-open"]["pages"], concerns["meters-silent"]["names"]) == (7, [PRINTER])
    assert run(config, "close", DAY) == 1
    shown = capsys.readouterr()
    assert "In the way: 1 release of it is not judged yet, with 5 pages claimed" in shown.out
    assert "--despite REASON" in shown.err
    assert run(config, "closed") == 0
    assert capsys.readouterr().out == "No period is closed.\n"
    close(config)
    capsys.readouterr()
    assert run(config, "close", DAY, "--despite", "again") == 2
    assert f"{DAY} can't be closed: it is closed already" in capsys.readouterr().err
    assert run(config, "close", "2026-11-27") == 2
    assert "what came before is open since 2026-11-26" in capsys.readouterr().err
    assert run(config, "close", "2026-11") == 2
    assert run(config, "closed", "--json") == 0
    (known,) = json.loads(capsys.readouterr().out)
    assert (known["period"], known["by"], known["despite"]) == (DAY, this_user().name, "a jam")


def test_late_facts_change_no_byte_of_a_closed_export_and_are_adjustments(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    still_open = files_of(config, "open", AS_CSV)
    close(config)
    before = files_of(config, "before", EACH_FORMAT)
    assert {name: before[name] for name in still_open if name.endswith(".csv")} == {
        name: content for name, content in still_open.items() if name.endswith(".csv")
    }
    account = json.loads(before["release.csv.account.json"])
    assert (account["adds_up"], account["period"]["zone_from"]) == (True, "close")
    assert len(account["closed"]["sha256"]) == 64
    assert account["closed"]["head"].startswith(f"{account['seal']['size']}:")
    assert run(config, "changed") == 0
    asyncio.run(_append(config.parent, late=LATE))
    assert files_of(config, "after", EACH_FORMAT) == before
    capsys.readouterr()
    assert run(config, "changed", "--since", DAY, "--json") == 1
    found = json.loads(capsys.readouterr().out)
    balance: Counter[tuple[str, str]] = Counter()
    for one in found:
        assert one["corrects"] == DAY
        assert one["pages"] == one["now"] - one["was"] != 0
        balance[one["printer"], one["channel"]] += one["pages"]
    assert {"house:stray", "house:unattributed"} <= {one["account"] for one in found}
    assert not any(balance.values())
    assert run(config, "changed", "--since", "2026-11-24") == 2


def test_after_an_erasure_the_name_alone_differs_and_it_is_said(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    close(config)
    some = [one for one in AS_CSV if one[0] in {"person", "printer", "release"}]
    before = files_of(config, "before", some)
    capsys.readouterr()
    assert run(config, "erase", "anise", "--yes") == 0
    assert f"In closed periods the name alone differs from now on, pages do not: {DAY}." in capsys.readouterr().out
    after = files_of(config, "after", some)
    assert not any(b"anise" in content for content in after.values())
    name = next(row["person"] for row in lines_of(config.parent / "after" / "person.csv") if "erased" in row["person"])
    assert after["release.csv"].replace(name.encode(), b"anise") == before["release.csv"]
    assert after["printer.csv"] == before["printer.csv"]
    assert run(config, "closed") == 0
    assert "names erased since" in " ".join(capsys.readouterr().out.split())
    assert run(config, "verify") == 0
    assert run(config, "changed") == 0


def test_what_was_decided_before_a_close_is_frozen_and_its_undo_is_an_adjustment(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    decision = asyncio.run(_move_stray_pages(config.parent))
    still_open = files_of(config, "open", AS_CSV)
    close(config)
    before = files_of(config, "before", EACH_FORMAT)
    csvs = [name for name in still_open if name.endswith(".csv")]
    assert {name: before[name] for name in csvs} == {name: still_open[name] for name in csvs}
    assert json.loads(before["person.csv.account.json"])["adds_up"] is True
    assert {row["person"]: row["pages"] for row in lines_of(config.parent / "before" / "person.csv")}["clove"] == "3"
    asyncio.run(_append_one(config.parent, undone("undo", AFTER_US, decision)))
    assert files_of(config, "after", EACH_FORMAT) == before
    capsys.readouterr()
    assert run(config, "changed", "--since", DAY, "--json") == 1
    found = {one["account"]: one["pages"] for one in json.loads(capsys.readouterr().out)}
    assert found == {"house:stray": 3, "person:clove": -3}
    assert run(config, "erase", "clove", "--yes") == 0
    assert not any(b"clove" in content for content in files_of(config, "erased", AS_CSV).values())


def test_a_list_of_people_that_comes_after_a_close_changes_no_closed_export(config: Path) -> None:
    people = config.parent / "people.csv"
    people.write_text("login,name,mail,cost_centre\nanise,Anise Adler,a@college.example,physics\n")
    assert run(config, "people", "import", str(people)) == 0
    still_open = files_of(config, "open", AS_CSV)
    assert b"Anise Adler" in still_open["person.csv"]
    assert b"physics" in still_open["cost-centre.csv"]
    close(config)
    before = files_of(config, "before", EACH_FORMAT)
    csvs = [name for name in still_open if name.endswith(".csv")]
    assert {name: before[name] for name in csvs} == {name: still_open[name] for name in csvs}
    people.write_text("login,name,mail,cost_centre\nanise,Anise Birch,a@college.example,history\n")
    assert run(config, "people", "import", str(people)) == 0
    assert files_of(config, "after", EACH_FORMAT) == before
    assert run(config, "erase", "anise", "--yes") == 0
    erased = files_of(config, "erased", AS_CSV)
    assert not any(name in content for content in erased.values() for name in (b"anise", b"Anise", b"college.example"))


async def _move_stray_pages(folder: Path) -> PagesDecided:
    """Three of the seven pages that nobody released were clove's."""
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        gaps = [one for one in await journal.stretches(PRINTER, 0, AFTER_US) if one.counted == 7 and not one.releases]
        said = PageDecision(
            "move",
            3,
            "found-out",
            gaps[0].channel,
            closes_us=gaps[0].closes_us,
            taken_from="stray",
            to="person",
            to_name="clove",
        )
        decision = PagesDecided(PRINTER, origin("move", AFTER_US - 1), "warden", said)
        await journal.append(decision)
    finally:
        await journal.close()
    return decision


async def _append_one(folder: Path, fact: PagesDecided) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        await journal.append(fact)
    finally:
        await journal.close()


async def test_a_running_daemon_closes_it_and_says_who_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async def asked(*words: str) -> int:
        return await asyncio.to_thread(status_of, [*words, "--data-dir", str(tmp_path)])

    async with App(hasty_settings(tmp_path, [])):
        capsys.readouterr()
        assert await asked("close", "2020-01", "--json") == 0
        done = json.loads(_without_log(capsys.readouterr().out))
        assert await asked("close", "2020-01") == 2
        assert await asked("close", "2020-02") == 0
        capsys.readouterr()
        assert await asked("closed", "--json") == 0
        known = json.loads(_without_log(capsys.readouterr().out))
    assert [one["period"] for one in known] == ["2020-01", "2020-02"]
    assert {one["by"] for one in known} == {this_user().name}
    assert known[0] == done


def _without_log(printed: str) -> str:
    """To the daemon in this process, the clock of these tests stands still, and it says so."""
    return "\n".join(line for line in printed.splitlines() if not line.startswith("20"))


async def test_a_daemon_goes_by_the_settings_that_are_in_force_and_closes_nothing_else_under_a_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.toml"
    other.write_text('data_dir = "."\n[site]\nzone = "Europe/Berlin"\n')
    async with App(hasty_settings(tmp_path, [])) as app:
        asked = ["close", "2020-01", "--config", str(other), "--socket", str(app.settings.local_socket_path)]
        capsys.readouterr()
        assert await asyncio.to_thread(status_of, asked) == 2
        assert "the daemon runs with another [site] zone or [[periods]]" in capsys.readouterr().err
        site = app.settings.site.model_copy(update={"zone": "Europe/Berlin"})
        app._reloaded(app.settings.model_copy(update={"site": site}))
        assert await asyncio.to_thread(status_of, asked) == 0
