"""No statement of the store walks through a growing table: each is recorded, explained, and its steps are counted.

Every method of the store's Protocols and of the journal on disk has a call here, so that a new one without a call
fails; the statements are found by running the calls on a journal of realistic size (one source, many printers).
"""

from __future__ import annotations

import asyncio
import inspect
import re
import shutil
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.frozen import FrozenHead, FrozenRow
from pagereeve.domain.alerts.alert import SiteLayout, begun
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.domain.facts.facts import Origin, PagesDecided, Redated
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.projection.projector import Update
from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.ports.closing import ClosedPeriod, Closing
from pagereeve.ports.erasing import TITLES_AT_ONCE, Erasure, TitleExpiry
from pagereeve.ports.findings import FindingFilter
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.ports.queries import LAST_EVENTS_OF_SOURCE
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.ports.store import Store
from pagereeve.store.records.frozen_rows import packed_rows
from pagereeve.store.sql.tables import metadata
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.forwarded import sealed, site_of
from tests.journal_samples import NOON_US, SECOND_US, SERVER, badge, ended, finding, key, read, segment, started
from tests.realistic_journal import STEP_US, Size, fill, printer_name, release_name
from tests.statement_recorder import recording

SIZE: Final = Size()
PRINTER: Final = printer_name(17)
RELEASE: Final = release_name(PRINTER, 202)
SPAN_US: Final = (NOON_US, NOON_US + 600 * SECOND_US)
LATE_US: Final = NOON_US + (SIZE.facts - 20) * STEP_US

# Instructions of SQLite's virtual machine. A walk through one printer's facts takes three times BASE_STEPS, one
# through the source's more than a hundred times as many.
BASE_STEPS: Final = 1_500
ROW_STEPS: Final = 250

Ask = Callable[[SqlJournal], Awaitable[Any]]


@dataclass(frozen=True, slots=True)
class Call:
    """Stands under its method's name, and what it asks for after a colon.

    ``looks_at`` rows at most are added up for an answer of few. ``whole`` names the tables that it goes through on
    purpose, with the reason.
    """

    ask: Ask
    looks_at: int = 0
    whole: dict[str, str] = field(default_factory=dict)


async def _all(items: AsyncIterator[Any]) -> list[Any]:
    return [one async for one in items]


def _notices(journal: SqlJournal) -> list[Awaitable[Any]]:
    """A group with several starts and ends, one known already, one in conflict, one whose release is known."""
    return [
        *(journal.append(started(f"new-{number}", PRINTER, at_us=LATE_US)) for number in range(3)),
        journal.append(ended("new-end", RELEASE)),
        journal.append(started("new-again", PRINTER, release=RELEASE)),
        journal.append(started(f"{PRINTER}-202", PRINTER, release=RELEASE, at_us=NOON_US + 202 * STEP_US)),
        journal.append(started(f"{PRINTER}-206", PRINTER, job="another")),
        journal.append(badge("new-badge", PRINTER)),
    ]


async def _append(journal: SqlJournal) -> None:
    await journal.append(started("new-alone", PRINTER, at_us=LATE_US))
    await asyncio.gather(*_notices(journal))


async def _append_counted(journal: SqlJournal) -> None:
    said = PageDecision("waive", 2, "jam", "total", "/server", "r")
    decided = PagesDecided(PRINTER, Origin(DECISIONS_SOURCE, "new-decision", LATE_US, LATE_US), "warden", said)
    await journal.append_counted(decided, await journal.last_position() - 3)


async def _append_together(journal: SqlJournal) -> None:
    printers = [printer_name(number) for number in range(40)]
    await journal.append_together([badge(f"new-together-{printer}", printer) for printer in printers])


async def _replace(journal: SqlJournal) -> None:
    last_us = segment(PRINTER, SIZE.segments - 2).anchor_us
    await journal.replace(PRINTER, last_us, [segment(PRINTER, SIZE.segments - 1)])


async def _keep_turn(journal: SqlJournal) -> None:
    rows = segment(PRINTER, SIZE.segments - 1)
    await journal.keep_turn(PRINTER, [read(1, PRINTER)], read(2, PRINTER), Update(rows.anchor_us, (rows,)))


async def _announce(journal: SqlJournal) -> None:
    await _replace(journal)
    changes = [one.number for one in await journal.changes(10)]
    found, layout = finding(PRINTER, 3), SiteLayout()
    alert, message = compose(begun(found, layout, NOON_US), "opened", layout, NOON_US)
    await journal.announce(Announcement(changes, [(alert, message)], [alert.id], [("mail", message)]))


async def _part(journal: SqlJournal) -> None:
    await _announce(journal)
    waiting = await journal.waiting("mail", 10)
    await journal.part(QueueRemoval("mail", [(one.alert, one.nth) for one in waiting], NOON_US))


async def _reopen(journal: SqlJournal) -> None:
    await journal.close()
    again = await SqlJournal.open(journal._path, SystemClock())
    await again.close()


async def _read_beside(journal: SqlJournal) -> None:
    async with await SqlReads.open_for_reading(journal._path) as reads:
        await reads.open_run(PRINTER)


async def _at_one_moment(journal: SqlJournal) -> None:
    async with journal.snapshot() as reads:
        await reads.open_run(PRINTER)


async def _told(journal: SqlJournal) -> None:
    journal.health()
    journal.trouble()
    journal.refusal()
    journal.waiting_since_us()
    await journal.following().page(10)


async def _close_period(journal: SqlJournal) -> ClosedPeriod:
    async def rows() -> AsyncIterator[FrozenRow]:
        yield FrozenHead(PRINTER, 7)

    closing = Closing("first", "UTC", "2026a", *SPAN_US, LATE_US, "warden", "", "j-1", 7, "ab", 1)
    return await journal.close_period(closing, rows())


async def _close_packed(journal: SqlJournal) -> ClosedPeriod:
    closing = Closing("first", "UTC", "2026a", *SPAN_US, LATE_US, "warden", "", "j-1", 7, "ab", 1)
    return await journal.close_packed(closing, await packed_rows(_one_row()))


async def _frozen_rows(journal: SqlJournal) -> None:
    closed = await _close_period(journal)
    assert await _all(journal.frozen_rows(closed)) == [FrozenHead(PRINTER, 7)]


async def _begin_closing(journal: SqlJournal) -> None:
    await journal.give_up_closing(await journal.begin_closing("begun", 1, 2))


async def _closed_touched(journal: SqlJournal) -> None:
    """The rows that are replaced lie in the closed period; they are noted while they are written."""
    closing = Closing("first", "UTC", "2026a", 1, LATE_US, LATE_US, "warden", "", "j-1", 7, "ab", 1)
    await journal.close_period(closing, _one_row())
    await _replace(journal)
    assert [(one.period, one.printer) for one in await journal.closed_touched()] == [("first", PRINTER)]


async def _one_row() -> AsyncIterator[FrozenRow]:
    yield FrozenHead(PRINTER, 7)


async def _archive_facts(journal: SqlJournal) -> ArchivePart:
    """The printer's first readings are said to be in a file, and leave the journal."""
    bodies = [one for part in await journal.archivable(PRINTER, 0, LATE_US) for one in part][:20]
    first, last, facts = bodies[0].seq, bodies[-1].seq, len(bodies)
    part = ArchivePart("first.gz", PRINTER, first, last, NOON_US, LATE_US, facts, 0, 10, "ab")
    file = ArchiveFile("first.gz", "first", *SPAN_US, 10, "ab", facts, LATE_US)
    fact = FactsArchived(LATE_US, "first", *SPAN_US, "warden", "first.gz", 10, "ab", facts)
    await journal.archive_facts(file, [part], fact)
    assert await journal.remove_archived(PRINTER, [one.seq for one in bodies]) == facts
    await journal.finish_archive("first.gz")
    return part


async def _archived(journal: SqlJournal) -> None:
    part = await _archive_facts(journal)
    [file] = await journal.archives()
    assert await journal.archive_state(file) == "missing"
    assert await journal.parts_of_printer(PRINTER) == await _all(journal.archive_parts("first.gz")) == [part]
    assert not await journal.archived_entries(part)


async def _append_forwarded(journal: SqlJournal) -> None:
    site = await site_of([read(1, "library"), started("r1", "library")])
    own = await site.own_origin()
    await journal.append_forwarded(own, "north", sealed(site))
    await site.append(ended("r1-end", "release-r1"))
    assert (await journal.append_forwarded(own, "north", sealed(site, 1))).place == 3
    assert len(await journal.origins()) == 1
    assert await journal.site_checks() == {}
    assert list(await journal.held_places(own, 1, 10)) == [2, 3]
    assert list(await journal.held_tips(own, ["library", "", "none"])) == ["library", ""]


CALLS: Final[dict[str, Call]] = {
    "archivable": Call(lambda journal: journal.archivable(PRINTER, 0, LATE_US)),
    "archive_facts": Call(_archive_facts),
    "remove_archived": Call(_archive_facts),
    "finish_archive": Call(_archive_facts),
    "archives": Call(_archived),
    "archive_parts": Call(_archived),
    "archive_state": Call(_archived),
    "archived_entries": Call(_archived),
    "parts_of_printer": Call(_archived),
    "append_forwarded": Call(_append_forwarded),
    "origins": Call(_append_forwarded),
    "held_places": Call(_append_forwarded),
    "held_tips": Call(_append_forwarded),
    "own_origin": Call(SqlJournal.own_origin),
    "site_checks": Call(_append_forwarded),
    "twins": Call(lambda journal: journal.twins([(SERVER, f"{PRINTER}-202"), (SERVER, "none")])),
    "room": Call(SqlJournal.room),
    "rows_version": Call(lambda journal: journal.rows_version(PRINTER)),
    "append": Call(_append),
    "append_counted": Call(_append_counted),
    "append_together": Call(_append_together),
    "keep_turn": Call(_keep_turn),
    "observe": Call(lambda journal: journal.observe(PRINTER, [read(1, PRINTER)], read(2, PRINTER))),
    "redate": Call(
        lambda journal: journal.redate([Redated(PRINTER, LATE_US, LATE_US, LATE_US + 1, 1, "x", "y")]),
        looks_at=SIZE.facts,
    ),
    "facts: all": Call(lambda journal: _all(journal.facts(PRINTER))),
    "facts": Call(lambda journal: _all(journal.facts(PRINTER, SIZE.middle_us))),
    "open_run": Call(lambda journal: journal.open_run(PRINTER)),
    "replace": Call(_replace),
    "segment_before": Call(lambda journal: journal.segment_before(PRINTER, NOON_US + 500 * SECOND_US)),
    "segments": Call(lambda journal: journal.segments(PRINTER)),
    "charges": Call(lambda journal: _all(journal.charges(NOON_US, NOON_US + 600 * SECOND_US))),
    "charges_of": Call(lambda journal: journal.charges_of("release-7")),
    "releases_page": Call(
        lambda journal: journal.releases_page(ReleaseFilter(PRINTER, frozenset({"owner-1"})), 10),
        looks_at=SIZE.printers * SIZE.segments,
    ),
    "releases_page: a person": Call(
        lambda journal: journal.releases_page(ReleaseFilter(owners=frozenset({"owner-1"})), 10),
        looks_at=SIZE.printers * SIZE.segments,
    ),
    "releases_page: next": Call(
        lambda journal: journal.releases_page(
            ReleaseFilter(verdict="open"), 10, (NOON_US + 600 * SECOND_US, PRINTER, SERVER, "release-10", "total")
        ),
        looks_at=SIZE.printers * SIZE.segments,
    ),
    "stretches": Call(lambda journal: journal.stretches(PRINTER, NOON_US, NOON_US + 600 * SECOND_US)),
    "postings": Call(lambda journal: _all(journal.postings(NOON_US, NOON_US + 600 * SECOND_US))),
    "ledger_rows": Call(lambda journal: _all(journal.ledger_rows(NOON_US, NOON_US + 600 * SECOND_US))),
    "ledger_rows: of a printer": Call(
        lambda journal: _all(journal.ledger_rows(NOON_US, NOON_US + 600 * SECOND_US, PRINTER)), looks_at=SIZE.segments
    ),
    "findings": Call(lambda journal: journal.findings(only_open=True)),
    "findings: all": Call(
        lambda journal: journal.findings(only_open=False),
        whole=dict.fromkeys(("finding", "evidence", "finding_release"), "all are asked for"),
    ),
    "finding": Call(lambda journal: journal.finding(f"finding-{PRINTER}-3")),
    "findings_of": Call(lambda journal: journal.findings_of(key(7))),
    "findings_page": Call(lambda journal: journal.findings_page(FindingFilter(kind="surplus", printer=PRINTER), 10)),
    "dearest_findings": Call(
        lambda journal: journal.dearest_findings(FindingFilter(state="open", printer=PRINTER), 10),
        looks_at=2 * SIZE.segments,
    ),
    "count_findings": Call(
        lambda journal: journal.count_findings(FindingFilter(printer=PRINTER)), looks_at=SIZE.segments
    ),
    "open_findings": Call(SqlJournal.open_findings, looks_at=SIZE.printers * SIZE.segments),
    "house_postings": Call(lambda journal: _all(journal.house_postings(*SPAN_US)), looks_at=SIZE.printers * 100),
    "doubtful_charges": Call(lambda journal: _all(journal.doubtful_charges(*SPAN_US)), looks_at=SIZE.printers * 100),
    "charge_totals": Call(lambda journal: journal.charge_totals("person", *SPAN_US), looks_at=SIZE.printers * 100),
    "period_sums": Call(lambda journal: journal.period_sums(*SPAN_US), looks_at=SIZE.printers * 100),
    "period_sums: of a printer": Call(lambda journal: journal.period_sums(*SPAN_US, PRINTER), looks_at=100),
    "sums_of_each": Call(
        lambda journal: journal.sums_of_each([SPAN_US, (SPAN_US[1], LATE_US)]), looks_at=SIZE.printers * 200
    ),
    "sums_of_printers": Call(lambda journal: journal.sums_of_printers(*SPAN_US, [PRINTER]), looks_at=100),
    "charge_sums": Call(lambda journal: _all(journal.charge_sums(*SPAN_US)), looks_at=SIZE.printers * 100),
    "charge_sums: of a printer": Call(lambda journal: _all(journal.charge_sums(*SPAN_US, [PRINTER])), looks_at=100),
    "rows_state": Call(
        lambda journal: journal.rows_state(1),
        looks_at=SIZE.printers,
        whole={"rows_version": "one short row a printer, and all are asked for"},
    ),
    "edge_segments": Call(lambda journal: journal.edge_segments(*SPAN_US), looks_at=SIZE.printers * 100),
    "snapshot": Call(_at_one_moment),
    "printers": Call(SqlJournal.printers),
    "said_facts": Call(lambda journal: _all(journal.said_facts(PRINTER))),
    "all_facts": Call(lambda journal: _all(journal.all_facts())),
    "count_facts": Call(SqlJournal.count_facts, whole={"fact": "all are counted; asked by demos and benchmarks alone"}),
    "last_events": Call(SqlJournal.last_events, looks_at=LAST_EVENTS_OF_SOURCE),
    "newest_us": Call(SqlJournal.newest_us, looks_at=SIZE.printers),
    "growth": Call(lambda journal: journal.growth(LATE_US), looks_at=4 * SIZE.printers),
    "last_reads": Call(lambda journal: _all(journal.last_reads()), looks_at=2 * SIZE.printers),
    "printer_notes": Call(lambda journal: _all(journal.printer_notes()), looks_at=2 * SIZE.printers),
    "noted_readings": Call(lambda journal: _all(journal.noted_readings())),
    "page_decisions": Call(lambda journal: _all(journal.page_decisions())),
    "recent_delays": Call(lambda journal: journal.recent_delays(SERVER, 50)),
    "changes": Call(_announce),
    "alerts": Call(SqlJournal.alerts),
    "announce": Call(_announce),
    "waiting": Call(lambda journal: journal.waiting("mail", 10)),
    "part": Call(_part),
    "queues": Call(SqlJournal.queues),
    "standing_facts": Call(lambda journal: journal.standing_facts(PRINTER)),
    # The site's timeline is walked for them; what is of no person is not even read.
    "people_facts": Call(lambda journal: _all(journal.people_facts()), looks_at=SIZE.facts),
    "people_since": Call(lambda journal: journal.people_since(0), looks_at=SIZE.facts),
    "release_facts": Call(lambda journal: journal.release_facts(SERVER, RELEASE)),
    "release_starts": Call(lambda journal: journal.release_starts(SERVER, [RELEASE, "none"], 0, LATE_US)),
    "unrouted_ends": Call(SqlJournal.unrouted_ends),
    "late_facts": Call(lambda journal: journal.late_facts(PRINTER, LATE_US)),
    "badge_facts: all": Call(lambda journal: _all(journal.badge_facts())),
    "badge_facts": Call(lambda journal: _all(journal.badge_facts(LATE_US))),
    "open_runs": Call(lambda journal: _all(journal.open_runs())),
    "running_totals": Call(lambda journal: journal.running_totals(PRINTER, NOON_US + 600 * SECOND_US)),
    "last_read": Call(lambda journal: journal.last_read(PRINTER)),
    "open": Call(_reopen),
    "close": Call(_reopen),
    "open_for_reading": Call(_read_beside),
    "key_check": Call(lambda journal: journal.key_check("badge")),
    "erase": Call(
        lambda journal: journal.erase(Erasure("owner-1", "erased-1", "warden", NOON_US)),
        whole={
            "fact": "a name may stand in any fact; nobody waits for it",
            "seal_entry": "likewise",
            "conflict": "likewise",
        },
    ),
    "expire_titles": Call(
        lambda journal: journal.expire_titles(TitleExpiry("erased-2", "warden", LATE_US, LATE_US)),
        looks_at=3 * TITLES_AT_ONCE,
        whole={"conflict": "whether there is any at all: its first row"},
    ),
    "title_us": Call(lambda journal: journal.title_us(NOON_US, LATE_US), looks_at=SIZE.facts),
    "begin_closing": Call(_begin_closing),
    "give_up_closing": Call(_begin_closing),
    "close_packed": Call(_close_packed),
    "close_period": Call(_close_period),
    "closed_periods": Call(SqlJournal.closed_periods),
    "closed_touched": Call(_closed_touched, whole={"closed_touched": "all are asked for; each close takes them"}),
    "period_segments": Call(lambda journal: journal.period_segments(PRINTER, *SPAN_US), looks_at=SIZE.printers * 100),
    "frozen_rows": Call(_frozen_rows),
    "timeline_heads": Call(SqlJournal.timeline_heads, looks_at=2 * SIZE.printers),
    "first_pages_us": Call(SqlJournal.first_pages_us),
    "rewrite": Call(SqlJournal.rewrite),
    "seal_head": Call(SqlJournal.seal_head),
    "stored_after": Call(lambda journal: journal.stored_after(40, 10)),
    "last_position": Call(SqlJournal.last_position),
    "sealed_facts": Call(lambda journal: _all(journal.sealed_facts())),
    "sealed_links": Call(lambda journal: _all(journal.sealed_links())),
    "fact_survey": Call(SqlJournal.fact_survey),
    "digest_as": Call(lambda journal: journal.digest_as(PRINTER, 3, 4)),
    "sealed_bodies": Call(lambda journal: journal.sealed_bodies(40, 10)),
    "sealed_place": Call(lambda journal: journal.sealed_place(40)),
    "link_before": Call(lambda journal: journal.link_before(PRINTER, 3)),
    "sealed_content": Call(lambda journal: journal.sealed_content(PRINTER, 3)),
    "release_places": Call(lambda journal: journal.release_places(SERVER, RELEASE)),
    "wrong_claims": Call(SqlJournal.wrong_claims),
    "file_troubles": Call(SqlJournal.file_troubles),
    "keep_key_check": Call(lambda journal: journal.keep_key_check("badge", "an invented value")),
    "credentials": Call(SqlJournal.credentials),
    "credentials_used": Call(lambda journal: journal.credentials_used({"a": NOON_US, "b": NOON_US})),
    "checkpoint": Call(SqlJournal.checkpoint),
    "health": Call(_told),
    "following": Call(_told),
    "damaged": Call(_told),
    "look": Call(lambda journal: journal.look()),
    "refusal": Call(_told),
    "trouble": Call(_told),
    "waiting_since_us": Call(_told),
}
IN_ORDER: Final = {"finding_change": "its rows are taken in the order of their key, and a limit ends the walk"}
BOUNDED: Final = {
    "archive": "files beside the journal (ports.archives.ARCHIVES_MAX)",
    "archive_removing": "empty but within the transaction that removes",
    "message": "a queue holds a bounded number",
    "receiver": "as many as settings name",
    "alert": "few stand",
    "closing_period": "one for each period that is being closed; a start forgets those of before",
    "closed_period": "one for each period that was closed (ports.closing.CLOSED_MAX)",
    "credential": "a thousand at most (ports.credentials.STORED_MAX)",
    "origin": "a site has one row (ports.origins.ORIGINS_MAX)",
}
SILENT: Final = {
    *("checkpoint", "file_troubles", "rewrite", "damaged", "health", "look", "refusal", "trouble", "waiting_since_us"),
    *("room", "rows_version", "following"),
}
SMALL: Final = {"open_run", "seal", "instance", *BOUNDED}


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("realistic") / "journal.db"
    asyncio.run(fill(path, SIZE))
    return path


@pytest.fixture
async def journal(full: Path, tmp_path: Path) -> AsyncIterator[SqlJournal]:
    path = tmp_path / "journal.db"
    shutil.copy(full, path)
    journal = await SqlJournal.open(path, SystemClock())
    yield journal
    await journal.close()


def _scanned(plan: list[str]) -> set[str]:
    tables = "|".join(metadata.tables)
    return {found[1] for step in plan if (found := re.match(rf"SCAN ({tables})\b", step))}


def _public(cls: type) -> set[str]:
    return {name for name, _ in inspect.getmembers(cls, callable) if not name.startswith("_")}


def test_every_method_of_the_store_has_a_call_here() -> None:
    assert _public(Store) | _public(SqlJournal) | _public(SqlReads) == {name.partition(":")[0] for name in CALLS}


def test_the_journal_is_of_realistic_size(full: Path) -> None:
    with closing(sqlite3.connect(full)) as connection:
        counts = {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in metadata.tables}
        [(sources,)] = connection.execute("SELECT count(DISTINCT source) FROM fact").fetchall()
    assert counts["fact"] >= 30_000
    assert (
        min(counts[name] for name in ("row_segment", "stretch", "charge", "posting", "leg", "finding", "evidence"))
        >= 2_000
    )
    assert sources == 1


@pytest.mark.parametrize("name", CALLS)
async def test_no_statement_walks_through_a_growing_table(journal: SqlJournal, name: str) -> None:
    call = CALLS[name]
    with recording(journal._path) as recorder:
        await call.ask(journal)
    # A call that reached no statement would prove nothing.
    assert bool(recorder.issued) is (name not in SILENT)
    for one in recorder.issued:
        walked = _scanned(one.plan) - SMALL
        assert walked <= call.whole.keys() | IN_ORDER.keys(), one
        if not walked & call.whole.keys():
            assert one.steps <= BASE_STEPS + ROW_STEPS * max(one.rows, call.looks_at), one


async def test_a_walk_is_found_out(journal: SqlJournal) -> None:
    """The judge itself: the writer's look-up as it once was, and legs by a list of row values."""
    with recording(journal._path) as recorder:
        async with journal._reader.snapshot() as connection:
            once = "SELECT body FROM fact WHERE source = ? AND release IN (?, ?) ORDER BY at_us, printer, seq"
            await connection.exec_driver_sql(once, (SERVER, RELEASE, "other"))
            legs = "SELECT * FROM leg WHERE (printer, anchor_us, ordinal) IN ((?, 1, 1), (?, 2, 2))"
            await connection.exec_driver_sql(legs, (PRINTER, PRINTER))
    slow, scan = recorder.issued
    assert slow.steps > 20 * (BASE_STEPS + ROW_STEPS * slow.rows)
    assert _scanned(scan.plan) == {"leg"}
