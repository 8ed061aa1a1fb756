"""Every command that answers for a closed period shows what was closed, and says what changed since."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from beancount import loader
from beancount.core import realization

from pagereeve.app import closing
from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER
from tests.integration import test_closing
from tests.integration.test_closing import AFTER_US, DAY, LATE, close, run
from tests.integration.test_exports import SETTINGS
from tests.page_decisions import undone

RATES = """
[[rates]]
name = "{name}"
currency = "EUR"
from = "2026-01-01"
[[rates.prices]]
channel = "total"
price = "{price}"
"""
PRICED = SETTINGS + RATES.format(name="autumn-term", price="0.025")
ANSWERS = [
    *(("costs", "--by", by, "--format", "json") for by in ("person", "cost-centre", "printer")),
    *(("losses", "--by", by, "--format", "json") for by in ("printer", "cause")),
    *(
        ("statement", kind, name, "--format", "json")
        for kind, name in (("person", "anise"), ("person", "clove"), ("cost-centre", "00042"), ("printer", PRINTER))
    ),
]
after_the_day = test_closing.after_the_day


@pytest.fixture
async def config(tmp_path: Path) -> Path:
    await test_closing._append(tmp_path, first=True)
    path = tmp_path / "pagereeve.toml"
    path.write_text(PRICED)
    return path


def answers(config: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    found = []
    for asked in ANSWERS:
        capsys.readouterr()
        assert run(config, *asked, "--period", DAY) == 0
        found.append(json.loads(capsys.readouterr().out))
    return found


def without(answer: dict[str, Any], *members: str) -> dict[str, Any]:
    return {name: value for name, value in answer.items() if name not in members}


def ledger(config: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    capsys.readouterr()
    assert run(config, "ledger", "--period", DAY) == 0
    shown = capsys.readouterr()
    return shown.out, shown.err


def sums_of(text: str) -> Counter[str]:
    entries, errors, _ = loader.load_string(text)
    assert not errors, [one.message for one in errors]
    root, sums = realization.realize(entries), Counter[str]()
    for account in realization.iter_children(root):
        for position in account.balance:
            sums[account.account] += int(position.units.number)
    return sums


def test_answers_of_a_closed_period_stay_and_say_what_changed_since(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    decision = asyncio.run(test_closing._move_stray_pages(config.parent))
    still_open, open_ledger = answers(config, capsys), ledger(config, capsys)[0]
    close(config)
    closed, (text, said) = answers(config, capsys), ledger(config, capsys)
    for was, now in zip(still_open, closed, strict=True):
        assert without(now, "closed", "seal") == without(was, "closed", "seal")
        assert was["closed"] is None
        assert (now["closed"]["period"], now["closed"]["changed_pages"], now["closed"]["not_frozen"]) == (DAY, 0, [])
    assert sums_of(text) == sums_of(open_ledger)
    assert "Between which readings its pages were counted is not frozen" in text
    assert "Changed since: 0 pages; see pagereeve changed --since" in said

    asyncio.run(test_closing._append(config.parent, late=LATE))
    asyncio.run(test_closing._append_one(config.parent, undone("undo", AFTER_US, decision)))
    config.write_text(SETTINGS + RATES.format(name="dearer", price="9.99"))
    people = config.parent / "people.csv"
    people.write_text("login,name,mail,cost_centre\nanise,Anise Adler,a@college.example,history\n")
    assert run(config, "people", "import", str(people)) == 0
    later, (text_later, said_later) = answers(config, capsys), ledger(config, capsys)
    for was, now in zip(closed, later, strict=True):
        assert without(now, "closed") == without(was, "closed")
        assert without(now["closed"], "changed_pages") == without(was["closed"], "changed_pages")
    assert text_later == text
    assert "Changed since: 0 pages" not in said_later
    assert {one["closed"]["changed_pages"] for one in later[:5]} != {0}
    assert later[0]["cards"][0]["name"] == "autumn-term"
    of_clove = later[len(ANSWERS) - 3]
    assert (of_clove["name"], of_clove["closed"]["changed_pages"], of_clove["sums"][0]["charged"]) == ("clove", 3, 3)


def test_which_rates_were_used_is_said_and_settings_without_prices_do_not_matter(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    close(config)
    config.write_text(SETTINGS)
    assert run(config, "costs", "--period", DAY) == 0
    shown = capsys.readouterr()
    assert "Rate cards as they were frozen: autumn-term (EUR)." in shown.err
    assert "line,anise,,,EUR,0.13,13,-0.005,," in shown.out
    assert run(config, "statement", "person", "anise", "--period", DAY) == 0
    assert "0.13 EUR" in capsys.readouterr().out


def test_a_close_that_froze_no_answers_is_told_of_and_takes_nothing_of_today_for_them(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def none(*_: object) -> AsyncIterator[FrozenRow]:
        rows: list[FrozenRow] = []
        for row in rows:
            yield row

    monkeypatch.setattr(closing, "answer_rows", none)
    still_open = answers(config, capsys)
    close(config)
    found = answers(config, capsys)
    assert found[0]["closed"]["not_frozen"] == ["prices"]
    assert found[0]["totals"] == still_open[0]["totals"]
    assert found[3]["closed"]["not_frozen"] == ["causes"]
    assert {(one["account"], one["cause"], one["pages"]) for one in found[3]["losses"]} == {
        ("house:stray", "not-frozen", 7)
    }
    assert found[5]["closed"]["not_frozen"] == ["prices"]
    capsys.readouterr()
    assert run(config, "costs", "--period", DAY) == 0
    assert "The close froze no prices" in capsys.readouterr().err
    assert run(config, "losses", "--period", DAY) == 0
    assert "The close froze no causes" in capsys.readouterr().err


def test_a_person_is_erased_from_frozen_costs_too(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    close(config)
    assert run(config, "erase", "anise", "--yes") == 0
    assert run(config, "verify") == 0
    (of_person, *_), (text, _) = answers(config, capsys)[:1], ledger(config, capsys)
    assert of_person["totals"][0]["amount"] == "0.13"
    assert "anise" not in json.dumps(of_person) + text
    assert (config.parent / JOURNAL_NAME).exists()
