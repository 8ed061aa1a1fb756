"""What was released, a line each: pages of the store in memory and in SQLite alike, and the command."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final, Protocol

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.ledger import Charge, Grade, ReleaseKey, RowSegment, Verdict
from pagereeve.domain.values.instants import from_text
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter, ReleasePlace, place_of
from pagereeve.ports.store import Store
from pagereeve.queries.releases import ReleasesAsked, releases_of
from pagereeve.store.memory import ledger as memory_ledger
from pagereeve.store.sql import release_reads
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, SERVER, charge, key

HOUR_US: Final = 3_600 * SECOND_US
# Formulas, HTML, a terminal's colours, a mark that turns the direction of text, an owner of no Latin letters.
HOSTILE: Final = ("=1+2", "<b>basil</b>", "\x1b[31mred", "\u202eover", "Ёлка", "")


class Both(Store, Reads, Protocol):
    """The whole store, and what people ask of it."""


def charges(number: int, seed: int = 1) -> list[Charge]:
    drawn = random.Random(seed)
    made = []
    for nth in range(number):
        one = charge(drawn.choice(("hall", "library")), key(nth), NOON_US + nth // 3 * SECOND_US)
        made.append(
            replace(
                one,
                owner=drawn.choice(("Basil", "basil ", "sage", "=1+2")),
                verdict=drawn.choice((*Verdict, None)),
                grade=drawn.choice((*Grade, None)),
                channel=drawn.choice(("total", "mono")),
            )
        )
    return made


def segments(printer: str, own: Sequence[Charge]) -> list[RowSegment]:
    """Rows as a projection stores them: some charges a segment."""
    mine = [one for one in own if one.printer == printer]
    parts = [tuple(mine[begin : begin + 50]) for begin in range(0, len(mine), 50)]
    return [RowSegment(printer, NOON_US + nth, {"version": 1}, charges=part) for nth, part in enumerate(parts)]


async def put(store: Store, own: Sequence[Charge]) -> None:
    for printer in sorted({one.printer for one in own}):
        await store.replace(printer, None, segments(printer, own))


async def walked(store: Both, wanted: ReleaseFilter, limit: int) -> list[Charge]:
    found: list[Charge] = []
    after: ReleasePlace | None = None
    while True:
        page = await store.releases_page(wanted, limit, after)
        assert len(page.charges) <= limit
        found += page.charges
        after = page.after
        if after is None:
            return found


@pytest.mark.parametrize("looked_up", [0, 20])
@pytest.mark.parametrize("looked_at", [7, 100_000])
@pytest.mark.parametrize(
    "wanted",
    [
        ReleaseFilter(),
        ReleaseFilter(billed=False),
        ReleaseFilter("hall", frozenset({owner_key("BASIL")})),
        ReleaseFilter(owners=frozenset({"=1+2"}), verdict="open", billed=False),
        ReleaseFilter(grade=Grade.SHARED, from_us=NOON_US + 5 * SECOND_US, to_us=NOON_US + 20 * SECOND_US),
        ReleaseFilter(owners=frozenset()),
    ],
)
async def test_pages_together_are_all_that_is_wanted_the_newest_first_however_few_are_looked_at(
    store: Both, wanted: ReleaseFilter, looked_at: int, looked_up: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (memory_ledger, release_reads):
        monkeypatch.setattr(module, "LOOKED_AT_MAX", looked_at)
        monkeypatch.setattr(module, "OWNERS_LOOKED_UP_MAX", looked_up)
    own = charges(90, seed=2)
    await put(store, own)
    expected = sorted(filter(wanted.holds, own), key=place_of, reverse=True)
    assert bool(expected) is (wanted.owners != frozenset())
    for limit in (1, 4, 1_000):
        assert await walked(store, wanted, limit) == expected


async def test_of_a_cost_centre_are_those_whose_owner_belonged_to_it_then(store: Both) -> None:
    own = [replace(one, owner=owner) for one, owner in zip(charges(9), ("a", "b", "c") * 3, strict=True)]
    own = [replace(one, channel="total") for one in own]
    await put(store, own)
    await store.append(Assigned(0, "A", "00042"))
    await store.append(Assigned(NOON_US + SECOND_US, "a", "physics"))
    await store.append(Assigned(0, "b", "00042"))

    async def of(centre: str | None) -> set[str]:
        asked = ReleasesAsked(ReleaseFilter(), centre)
        return {one.release.release async for one in releases_of(store, asked)}

    assert await of("00042") == {"release-0", "release-1", "release-4", "release-7"}
    assert await of("physics") == {"release-3", "release-6"}
    assert await of("") == {"release-2", "release-5", "release-8"}
    assert len(await of(None)) == len(own)


async def test_of_a_person_are_those_of_every_login_that_was_the_persons_then(store: Both) -> None:
    own = [replace(one, owner=owner) for one, owner in zip(charges(9), ("a", "b", "c") * 3, strict=True)]
    own = [replace(one, channel="total") for one in own]
    await put(store, own)
    later_us = own[4].started_us
    for login, from_us in (("A", 0), ("b", later_us)):
        await store.append(PersonNamed(from_us, "p-0123456789ab", "login", login, 1, "warden"))
    await store.append(PersonNamed(0, "p-0123456789ab", "mail", "a@college.example", 1, "warden"))
    await store.append(PersonNamed(later_us, "p-0123456789ab", "cost_centre", "physics", 1, "warden"))

    async def of(person: str | None, centre: str | None = None) -> set[str]:
        asked = ReleasesAsked(ReleaseFilter(), centre, person)
        return {one.release.release async for one in releases_of(store, asked)}

    firsts = {"release-0", "release-3", "release-6"}
    thens = {one.release.release for one in own if one.started_us >= later_us and one.owner != "c"}
    for text in ("a", " A", "a@college.example", "p-0123456789ab"):
        assert await of(text) == firsts | {"release-4", "release-7"}
    assert await of("c") == {"release-2", "release-5", "release-8"}
    assert await of("a", "physics") == thens == await of(None, "physics")
    assert await of("nobody") == set()


async def journal_of(folder: Path, own: Sequence[Charge]) -> Path:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        await put(journal, own)
    finally:
        await journal.close()
    settings = folder / "pagereeve.toml"
    settings.write_text('data_dir = "."\n[site]\nzone = "Europe/Berlin"\n')
    return settings


def asked(config: Path, *options: str) -> list[str]:
    return ["releases", "--config", str(config), *options]


def hostile() -> Iterable[Charge]:
    # Both half past twos of the day on which the clock is put back: 25 hours.
    for nth, at in enumerate(("2026-10-24T22:00:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z")):
        yield replace(charge("hall", key(nth), from_text(at)), owner=HOSTILE[nth])
    for nth, owner in enumerate(HOSTILE):
        name = ReleaseKey(SERVER, f"-{nth}{owner}")
        yield replace(charge("hall", name, NOON_US + nth), owner=owner, released=None, counted=-12)


def test_names_of_any_kind_reach_csv_json_and_terminal_whole_and_harmless(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    config = asyncio.run(journal_of(tmp_path, list(hostile())))
    period = ("--period", "2026-01-01")
    assert status_of(asked(config, *period)) == 0
    rows = list(csv.DictReader(io.StringIO(capfdbinary.readouterr().out.decode(), newline="")))
    assert [row["person"] for row in rows] == ["", "Ёлка", "\u202eover", "\x1b[31mred", "<b>basil</b>", "'=1+2"]
    assert {(row["counted"], row["released"]) for row in rows} == {("-12", "")}
    assert all(row["release"].startswith("'-") for row in rows)
    assert status_of(asked(config, *period, "--format", "json", "--person", "ёЛКА")) == 0
    (only,) = json.loads(capfdbinary.readouterr().out)
    assert (only["person"], only["release"], only["released"]) == (HOSTILE[4], f"-4{HOSTILE[4]}", None)
    assert status_of(asked(config, *period, "--format", "table")) == 0
    shown = capfdbinary.readouterr().out.decode()
    assert "\\x1b[31mred" in shown
    assert "\\u202eover" in shown
    assert not {"\x1b", "\u202e"} & set(shown)


def test_a_day_of_25_hours_has_both_of_its_half_past_twos(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    config = asyncio.run(journal_of(tmp_path, list(hostile())))
    assert status_of(asked(config, "--period", "2026-10-25", "--format", "json")) == 0
    rows = json.loads(capfdbinary.readouterr().out)
    assert [row["started"] for row in rows] == [
        "2026-10-25 02:30:00+01:00",
        "2026-10-25 02:30:00+02:00",
        "2026-10-25 00:00:00+02:00",
    ]
    assert status_of(asked(config, "--since", "2026-10-26", "--format", "json")) == 0
    assert json.loads(capfdbinary.readouterr().out) == []


def test_thousands_are_streamed_and_a_limit_is_said(tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    own = [replace(one, channel="total") for one in charges(5_000)]
    config = asyncio.run(journal_of(tmp_path, own))
    out = tmp_path / "releases.csv"
    assert status_of(asked(config, "--output", str(out), "--locale", "de")) == 0
    with out.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    assert [row["release"] for row in rows] == [one.release.release for one in sorted(own, key=place_of, reverse=True)]
    assert capfdbinary.readouterr() == (b"", b"")
    assert status_of(asked(config, "--limit", "10", "--format", "json")) == 0
    told = capfdbinary.readouterr()
    assert len(json.loads(told.out)) == 10
    assert b"the newest 10 releases shown, and there are more" in told.err
    assert status_of(asked(config, "--limit", "0")) == 2
