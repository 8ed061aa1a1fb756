"""The page that closes a period: who sees its form, what it says of a close that is under way or was refused."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import httpx2
import pytest

from pagereeve.console.api.asker import SignedIn, headers_of
from pagereeve.console.api.closing_told import ClosingTold
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.instants import to_text
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import HOSTILE, MONTH, close_december, december
from tests.journal_samples import NOON_US, SECOND_US

SESSION: Final = SignedIn("token-of-the-session")
PAGE: Final = f"/accounts/{MONTH}/closing"
FORM: Final = f'action="/accounts/{MONTH}/close"'


async def shown(
    kept: MemoryJournal,
    caller: Caller,
    told: ClosingTold | None = None,
    path: str = PAGE,
    session: SignedIn | None = SESSION,
) -> httpx2.Response:
    headers = dict(headers_of(caller, session) + ([] if told is None else [told.to_header()]))
    async with asking(kept, caller) as client:
        return await client.get(path, headers={name.decode(): value.decode() for name, value in headers.items()})


async def test_the_form_says_what_it_does_and_asks_for_the_name_and_a_reason() -> None:
    text = (await shown(await december(), ACCOUNTING)).text
    assert FORM in text
    for words in ("never change again", "an adjustment in the next period", "Nobody can undo it"):
        assert words in text
    assert 'name="despite" required' in text
    assert f"write the period&#39;s name: {MONTH}" in text or f"write the period's name: {MONTH}" in text
    assert 'name="csrf" value="token-of-the-session"' in text
    assert f'href="/releases?period={MONTH}' in text or f'href="/findings?period={MONTH}"' in text


@pytest.mark.parametrize(
    ("caller", "session"),
    [(ACCOUNTING, None), (READER, SESSION), (replace(ACCOUNTING, pages_day_max=10), SESSION)],
)
async def test_nobody_is_shown_a_form_that_would_be_refused(caller: Caller, session: SignedIn | None) -> None:
    text = (await shown(await december(), caller, session=session)).text
    assert FORM not in text
    assert f"pagereeve close {MONTH}" in text


async def test_a_close_under_way_is_told_and_looked_at_again_and_its_rows_are_not_gone_through() -> None:
    told = ClosingTold(MONTH, NOON_US - 90 * SECOND_US)
    kept = await december()
    text = (await shown(kept, ACCOUNTING, told)).text
    assert "It is being closed, since" in text
    assert 'hx-trigger="every 2s"' in text
    assert FORM not in text
    assert "stand in the way" not in text
    other = (await shown(kept, ACCOUNTING, replace(told, period="2025-11"))).text
    assert "2025-11 is being closed now" in other
    assert FORM not in other


async def test_why_it_was_not_closed_is_told_until_it_is() -> None:
    told = ClosingTold(MONTH, NOON_US - SECOND_US, HOSTILE)
    kept = await december()
    text = (await shown(kept, ACCOUNTING, told, f"{PAGE}?came=not-closed")).text
    assert "and is not: &lt;script&gt;" in text
    assert FORM in text
    await close_december(kept)
    closed = (await shown(kept, ACCOUNTING, told, f"{PAGE}?came=period-closed")).text
    assert "Closed: its figures stay as they are." in closed
    assert "and is not" not in closed
    assert FORM not in closed


async def test_the_list_of_periods_says_which_one_is_being_closed_and_which_was_not() -> None:
    told, kept = ClosingTold(MONTH, NOON_US - SECOND_US), await december()
    assert f"{MONTH}</a> is being closed, since" in (await shown(kept, ACCOUNTING, told, "/accounts")).text
    failed = (await shown(kept, ACCOUNTING, replace(told, problem=HOSTILE), "/accounts")).text
    assert "and is not: &lt;script&gt;" in failed
    assert (
        "closed"
        not in (await shown(kept, ACCOUNTING, None, "/accounts")).text.partition("<main")[2].partition("<table")[0]
    )


async def test_programs_are_told_of_a_close_under_way_and_of_why_it_came_to_nothing() -> None:
    told, kept, path = ClosingTold(MONTH, NOON_US - SECOND_US), await december(), f"/v1/periods/{MONTH}"
    since = "2026-01-01T11:59:59.000000Z"
    assert to_text(told.since_us) == since
    going = (await shown(kept, READER, told, path)).json()
    assert (going["state"], going["closing"], going["concerns"]) == ("closing", {"since": since, "problem": None}, [])
    failed = (await shown(kept, READER, replace(told, problem="a jam"), path)).json()
    assert (failed["state"], failed["closing"]) == ("closable", {"since": since, "problem": "a jam"})
    for other in (None, replace(told, period="2025-11")):
        one = (await shown(kept, READER, other, path)).json()
        assert (one["state"], one["closing"]) == ("closable", None)
    await close_december(kept)
    closed = (await shown(kept, READER, told, path)).json()
    assert (closed["state"], closed["closing"]) == ("closed", None)


async def test_a_periods_page_leads_to_its_closing_until_it_is_closed() -> None:
    kept = await december()
    assert f'hx-get="{PAGE}"' in (await shown(kept, ACCOUNTING, path=f"/accounts/{MONTH}")).text
    await close_december(kept)
    assert f'hx-get="{PAGE}"' not in (await shown(kept, ACCOUNTING, path=f"/accounts/{MONTH}")).text


async def test_no_address_makes_the_page_say_other_things() -> None:
    assert (await shown(await december(), ACCOUNTING, path=f"{PAGE}?came=anything")).status_code == 400
