"""What the forms of a release's page and of a period's decisions send is decided, shown, and undone again."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from typing import Final
from urllib.parse import urlencode

import pytest

from pagereeve.app.deciding.decider import Decider
from pagereeve.app.deciding.forms import Forms
from pagereeve.console.api.asker import SignedIn, headers_of
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.testing import LoopClock
from pagereeve.queries.page_decisions import ruled
from pagereeve.store.memory.journal import MemoryJournal
from tests.api_world import NOW_US, SITE, KeepingIntake, full_journal
from tests.asking import ACCOUNTING, READER, asking
from tests.closings import closings_in
from tests.credentials import callers_of

SESSION: Final = SignedIn("token-of-the-session")
PAGE: Final = "/accounts/2026-11/decisions"
_FORM: Final = re.compile(r'<form[^>]* method="post" action="(/decisions/[^"]+)">(.*?)</form>', re.DOTALL)
_HIDDEN: Final = re.compile(r'<input type="(?:hidden|checkbox)" name="([^"]+)" value="([^"]*)"')


async def shown(journal: MemoryJournal, path: str, caller: Caller = ACCOUNTING) -> str:
    headers = {name.decode(): value.decode() for name, value in headers_of(caller, SESSION)}
    async with asking(journal, caller, SITE, NOW_US) as client:
        answer = await client.get(path, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.text


def forms_on(text: str, action: str) -> list[list[tuple[str, str]]]:
    """The hidden fields and boxes of each form that goes there."""
    found = [form for to, form in _FORM.findall(text) if to == action]
    return [[(name, unescape(value)) for name, value in _HIDDEN.findall(form)] for form in found]


class Office:
    def __init__(self, journal: MemoryJournal) -> None:
        clock = LoopClock(NOW_US)
        events = EventsEndpoint(KeepingIntake(journal), HttpLimits(), clock=clock, callers=callers_of())
        self._forms = Forms(Decider(journal, events, clock, closings_in(journal, lambda: NOW_US, SITE)))

    async def send(self, action: str, fields: list[tuple[str, str]], caller: Caller = ACCOUNTING) -> str:
        return await self._forms.address_after(action, urlencode(fields).encode(), caller)


async def in_force(journal: MemoryJournal) -> list[tuple[str, int, str]]:
    known = [one.decided for one in await ruled(journal) if one.in_force is not None]
    return sorted((one.said.act, one.said.pages, one.by) for one in known)


async def test_a_releases_pages_are_waived_and_moved_and_it_is_undone_from_its_own_page() -> None:
    journal = await full_journal()
    office, before = Office(journal), await in_force(journal)
    text = await shown(journal, PAGE)
    link = unescape(re.findall(r'<th scope="row" class="named"><a href="(/releases/[^"]+)">', text)[0])
    settle, move = forms_on(await shown(journal, link), "/decisions/pages")[:2]
    after = await office.send("/decisions/pages", [*settle, ("act", "waive"), ("reason", "jam"), ("pages", "1")])
    assert after == f"{link}&came=waived"
    assert await in_force(journal) == sorted([*before, ("waive", 1, "accounting")])
    to = [("act", "move"), ("reason", "agreed"), ("pages", "1"), ("to", "cost-centre"), ("to_name", "registry")]
    assert (await office.send("/decisions/pages", [*move, *to])).endswith("&came=moved")
    # Sent twice, it is one.
    assert (await office.send("/decisions/pages", [*move, *to])).endswith("&came=moved")
    assert len(await in_force(journal)) == len(before) + 2
    text = await shown(journal, after)
    assert "Recorded: nobody is charged for these pages." in text
    assert "by accounting" in text
    for undo in forms_on(text, "/decisions/undo"):
        assert (await office.send("/decisions/undo", undo)) == f"{link}&came=undone"
    assert await in_force(journal) == []  # the one that was there before has an undo too


async def test_several_of_a_period_are_confirmed_at_once_and_who_they_are_is_hidden() -> None:
    journal = await full_journal()
    office, before = Office(journal), await in_force(journal)
    [form] = forms_on(await shown(journal, PAGE), "/decisions/pages")
    count = sum(name == "of" for name, _ in form)
    after = await office.send("/decisions/pages", [*form, ("act", "confirm"), ("reason", "admitted")])
    assert after == f"{PAGE}?came=confirmed" + (f"&done={count}&of={count}" if count > 1 else "")
    assert len(await in_force(journal)) == len(before) + count
    seen = await shown(journal, PAGE)
    assert forms_on(seen, "/decisions/pages") == []
    hidden = await shown(journal, PAGE, replace(ACCOUNTING, acts=frozenset({"read", "decide"})))
    assert "by accounting" in seen
    assert "by accounting" not in hidden
    assert '<span class="hidden-name">hidden</span>' in hidden


@pytest.mark.parametrize("caller", [READER, replace(ACCOUNTING, types=frozenset({"pagereeve.finding.decided.v1"}))])
async def test_who_may_not_decide_about_pages_is_shown_no_form(caller: Caller) -> None:
    journal = await full_journal()
    text = await shown(journal, PAGE, caller)
    link = unescape(re.findall(r'<th scope="row" class="named"><a href="(/releases/[^"]+)">', text)[0])
    for page in (text, await shown(journal, link, caller)):
        assert "/decisions/pages" not in page
        assert "/decisions/undo" not in page


async def test_a_limit_of_pages_is_told_and_nothing_is_decided() -> None:
    journal = await full_journal()
    before = await in_force(journal)
    [form] = forms_on(await shown(journal, PAGE), "/decisions/pages")
    one = [pair for pair in form if pair[0] != "of"] + [next(pair for pair in form if pair[0] == "of")]
    narrow = replace(ACCOUNTING, pages_max=1)
    after = await Office(journal).send("/decisions/pages", [*one, ("act", "waive"), ("reason", "jam")], narrow)
    assert after in {f"{PAGE}?came=not-allowed", f"{PAGE}?came=waived"}
    assert (after.endswith("waived")) == (len(await in_force(journal)) > len(before))


async def test_a_persons_decisions_are_for_who_sees_names() -> None:
    journal = await full_journal()
    async with asking(journal, READER, SITE, NOW_US) as client:
        assert (await client.get(f"{PAGE}?person=anise")).status_code == 403
    text = await shown(journal, f"{PAGE}?person=anise")
    assert f"{PAGE}?person=nobody" not in text
    nobody = await shown(journal, f"{PAGE}?person=nobody-at-all")
    assert "Nothing about pages of it." in nobody
    assert "Nothing about pages of it." not in await shown(journal, PAGE)
