"""A site that is behind stands in the way of closing a period, and beside its figures: pages, API and statements."""

from __future__ import annotations

from typing import Any, Final

import pytest

from pagereeve.app.closing import ClosingRequest, close_period
from pagereeve.domain.accounts.sites_behind import SiteBehind, behind_at, behind_now
from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Origin, SiteChecked, SiteStanding
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.closing import Hindered, NotClosed
from pagereeve.queries.statement_lines import Caution, Subject
from pagereeve.queries.statements import statement_of
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, asking
from tests.closed_month import MONTH, december, month
from tests.forwarded import sealed, site_of
from tests.journal_samples import NOON_US, SECOND_US, read

ENDS_US: Final = month().to_us
PAGE: Final = f"/accounts/{MONTH}/closing"
HOUR_US: Final = 3_600 * SECOND_US


def told(state: SiteStanding, known_us: int, at_us: int, site: str = "annex", why: str = "") -> SiteChecked:
    return SiteChecked(Origin(JOURNAL_SOURCE, f"site-{site}-{at_us}", at_us, at_us), site, state, known_us, 1, why)


async def centre(*facts: SiteChecked) -> MemoryJournal:
    """December, and the sites annex and north."""
    kept = await december()
    for name in ("annex", "north"):
        site = await site_of([read(1, "hall")])
        await kept.append_forwarded(await site.own_origin(), name, sealed(site))
    for fact in facts:
        await kept.append(fact)
    return kept


SILENT: Final = told("silent", ENDS_US - 9 * HOUR_US, ENDS_US - 8 * HOUR_US)
WHOLE: Final = told("whole", ENDS_US, ENDS_US + 1, "north")


async def api(kept: MemoryJournal, path: str) -> dict[str, Any]:
    async with asking(kept, ACCOUNTING) as client:
        answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_who_freezes_waits_for_more_than_who_reads() -> None:
    known = {one.site: one for one in (SILENT, told("whole", ENDS_US - 1, ENDS_US - 1, "north"))}
    silent = SiteBehind("annex", ENDS_US - 9 * HOUR_US, ENDS_US - 8 * HOUR_US, "silent")
    sites = ("annex", "north", "west")
    assert behind_at(ENDS_US, sites, known) == [silent, SiteBehind("north", ENDS_US - 1), SiteBehind("west", 0)]
    assert behind_now(ENDS_US, sites, known) == [silent]
    assert behind_at(ENDS_US - 9 * HOUR_US, sites, known) == [SiteBehind("west", 0)]


async def test_closing_names_each_site_since_when_it_is_behind_and_up_to_when_it_is_known() -> None:
    kept = await centre(SILENT, WHOLE)
    [concern] = [one for one in (await api(kept, f"/v1/periods/{MONTH}"))["concerns"] if one["kind"] == "sites-behind"]
    assert (concern["hinders"], concern["count"], concern["pages"]) == (True, 1, None)
    assert concern["sites"] == [
        {
            "site": "annex",
            "known": to_text(ENDS_US - 9 * HOUR_US),
            "since": to_text(ENDS_US - 8 * HOUR_US),
            "state": "silent",
            "why": None,
        }
    ]
    assert "annex (known up to 2025-12-31T15:00:00" in concern["text"]
    async with asking(kept, ACCOUNTING) as client:
        text = (await client.get(PAGE)).text
    assert "Of 1 site not all is here: annex (known up to" in text
    assert "/findings?kind=site-behind" in text


async def test_closing_is_refused_without_a_reason_and_done_with_one() -> None:
    kept = await centre(SILENT, WHOLE)
    with pytest.raises(Hindered) as caught:
        await close_period(kept, ClosingRequest(month()), "mara", NOON_US)
    assert any("annex (known up to" in one for one in caught.value.hindrances)
    closed = await close_period(kept, ClosingRequest(month(), "its line is cut for weeks"), "mara", NOON_US)
    assert closed.closing.reason == "its line is cut for weeks"


async def test_a_site_of_which_all_is_known_up_to_the_end_is_no_hindrance() -> None:
    kept = await centre(told("silent", ENDS_US, ENDS_US + HOUR_US), WHOLE)
    concerns = (await api(kept, f"/v1/periods/{MONTH}"))["concerns"]
    assert "sites-behind" not in {one["kind"] for one in concerns}
    # One that is only not known yet, as the day has just begun, hinders all the same.
    later = await centre(told("whole", ENDS_US - HOUR_US, ENDS_US - HOUR_US), WHOLE)
    with pytest.raises(NotClosed, match=r"annex \(known up to"):
        await close_period(later, ClosingRequest(month()), "mara", NOON_US)


async def test_totals_say_which_site_is_behind_and_a_closed_period_does_not() -> None:
    kept = await centre(SILENT, told("refused", 0, ENDS_US - HOUR_US, "north", "fork"))
    found = await totals_of(kept, month(), "printer")
    assert [(one.site, one.state, one.known_us) for one in found.sites_behind] == [
        ("annex", "silent", ENDS_US - 9 * HOUR_US),
        ("north", "refused", 0),
    ]
    answer = await api(kept, f"/v1/totals?period={MONTH}")
    assert [(one["site"], one["known"] is None, one["why"]) for one in answer["sites_behind"]] == [
        ("annex", False, None),
        ("north", True, "fork"),
    ]
    async with asking(kept, ACCOUNTING) as client:
        text = (await client.get(f"/accounts/{MONTH}")).text
    assert "Sites behind: annex (known up to" in text
    assert "north (never known whole, is heard, and its facts are refused (fork) since" in text
    await close_period(kept, ClosingRequest(month(), "as it is"), "mara", NOON_US)
    assert "sites_behind" not in await api(kept, f"/v1/totals?period={MONTH}")


async def test_a_statement_warns_of_it_unless_it_is_of_another_printer() -> None:
    kept = await centre(SILENT, WHOLE)
    period = month()
    warned = {
        name: Caution.SITES_BEHIND in (await statement_of(kept, Subject("printer", name), period)).cautions
        for name in ("annex/hall", "north/hall", "hall")
    }
    assert warned == {"annex/hall": True, "north/hall": False, "hall": False}
    of_person = await statement_of(kept, Subject("person", "anise"), period)
    assert Caution.SITES_BEHIND in of_person.cautions
    before = await centre(WHOLE, told("whole", ENDS_US, ENDS_US + 1))
    assert Caution.SITES_BEHIND not in (await statement_of(before, Subject("person", "anise"), period)).cautions
