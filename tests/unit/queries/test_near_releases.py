"""What is offered where nobody knows a release: names like it, and what ran at the printer beside the nearest."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.ledger import Charge, ReleaseKey, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries import near_releases as near_module
from pagereeve.queries.near_releases import NAMES_MAX, NoSuchRelease, near_releases
from pagereeve.queries.release_evidence import gather
from pagereeve.reports.near_releases import no_release_text
from pagereeve.store.memory.journal import MemoryJournal
from tests.histories import NINE, at, policy

DAY_S = 86_400


def charge(release: str, at_s: float, printer: str = "library", source: str = "/server") -> Charge:
    key = ReleaseKey(source, release)
    return Charge(printer, key, "anise", "job", "total", None, at(at_s), None, None, 4, None, 0, 4, None, None, None)


async def journal_with(*charges: Charge) -> MemoryJournal:
    """The journal's newest fact is of half an hour past nine."""
    journal = MemoryJournal()
    await journal.append(policy(1800))
    for printer in {one.printer for one in charges}:
        mine = tuple(one for one in charges if one.printer == printer)
        await journal.replace(printer, None, [RowSegment(printer, 0, None, charges=mine)])
    return journal


KNOWN = tuple(
    charge(f"job-1-{nth:03d}.1", nth * 10.0, "library" if nth % 2 else "science", "/server" if nth < 150 else "/other")
    for nth in range(160)
)


async def test_the_nearest_name_comes_first_with_what_ran_beside_it() -> None:
    near = await near_releases(await journal_with(*KNOWN), "JBO-1-027.1")
    assert near[0].release.release == "job-1-027.1"
    assert len([one for one in near if one.why == "name"]) <= NAMES_MAX
    beside = [(one.release.release, one.printer, one.why) for one in near if one.why != "name"]
    assert beside == [("job-1-025.1", "library", "before"), ("job-1-029.1", "library", "after")]


async def test_two_letters_that_were_swapped_are_one_slip_and_the_latest_of_equals_comes_first() -> None:
    journal = await journal_with(charge("ab-12", 0), charge("ab-21", 5), charge("zz-99", 9))
    assert [one.release.release for one in await near_releases(journal, "ba-12")][:2] == ["ab-12", "ab-21"]
    assert [one.release.release for one in await near_releases(journal, "ab-11")][:2] == ["ab-21", "ab-12"]


async def test_only_releases_of_the_source_that_was_asked_for_are_offered() -> None:
    near = await near_releases(await journal_with(*KNOWN), "job-1-1555.1", "/other")
    assert {one.release.source for one in near} == {"/other"}


async def test_an_older_release_is_found_where_no_newer_one_is_like_it() -> None:
    journal = await journal_with(charge("night-7", -20 * DAY_S), charge("report-1", 0))
    near = await near_releases(journal, "nigth-7")
    assert [(one.release.release, one.why) for one in near] == [("night-7", "name"), ("report-1", "after")]


async def test_so_many_rows_are_read_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(near_module, "ROWS_MAX", 10)
    assert await near_releases(await journal_with(*KNOWN), "jbo-1-027.1") != []
    assert all(
        one.started_us < NINE + 100 * SECOND_US
        for one in await near_releases(await journal_with(*KNOWN), "job-1-150.1")
    )


async def test_the_error_names_them_in_the_asked_zone_and_names_nobody() -> None:
    journal = await journal_with(*KNOWN, charge("odd\x1b-name", 3, "library"))
    with pytest.raises(NoSuchRelease, match="no release 'jbo-1-027") as caught:
        await gather(journal, "jbo-1-027.1")
    text = no_release_text(caught.value, ZoneInfo("Europe/Berlin"))
    assert "  job-1-027.1 of /server, at library, 2026-11-25 10:04:30+01:00: its name is like it" in text
    assert "job-1-025.1 of /server, at library" in text
    assert "anise" not in text
    with pytest.raises(NoSuchRelease) as caught:
        await gather(journal, "odd-name")
    assert "odd\\x1b-name" in no_release_text(caught.value, ZoneInfo("UTC"))


async def test_where_none_is_near_that_is_said() -> None:
    for journal in (
        MemoryJournal(),
        await journal_with(*KNOWN),
        await journal_with(replace(KNOWN[0], printer="hall")),
    ):
        with pytest.raises(NoSuchRelease) as caught:
            await gather(journal, "quite-another")
        assert no_release_text(caught.value, ZoneInfo("UTC")).endswith("none of the latest releases is named like it")
