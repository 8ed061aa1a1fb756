"""The page of one finding: its evidence in order, its cost in the ledger, its decisions; names for who may see them."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import pytest
from markupsafe import escape

from pagereeve.app.deciding.forms import posts_form
from pagereeve.console.pages import forms
from pagereeve.console.pages.came import TEXTS
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.facts.facts import Decided, PagesDecided
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings.finding import decided as with_decisions
from pagereeve.domain.ledger import STRAY, SURPLUS, Evidence, EvidenceKind, Finding, Posting, RowSegment, person
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.journal_samples import NOON_US, SECOND_US, charge, finding, key, origin, started, stretch

HOSTILE: Final = "<script>alert(1)</script>"
CLOSES_US: Final = NOON_US + 30 * SECOND_US
RELEASE: Final = replace(key(1), release="a/b?c")


def a_surplus() -> Finding:
    between = replace(stretch("hall", NOON_US, CLOSES_US, RELEASE), counted=9, after=109)
    return replace(
        finding("hall", 1, RELEASE),
        pages=4,
        evidence=(
            shown.cuts(between),
            shown.release(RELEASE),
            shown.reason("blank-backs"),
            shown.reason("hint-copies-twice"),
            shown.job(started("a", "hall", job=HOSTILE)),
        ),
    )


def spoken_of(one: Finding) -> Finding:
    said = Decided("hall", origin("d-1"), one.id, "explain", "night-porter", "jam", "the tray of Mx Invented")
    return with_decisions(one, [said])


async def journal(one: Finding) -> MemoryJournal:
    kept = MemoryJournal()
    legs = (("meter:hall", -9), (person("owner-1"), 3), (person("owner-2"), 1), (SURPLUS, 5))
    entry = Posting("hall", 1, "total", NOON_US, CLOSES_US, legs)
    other = Posting("hall", 1, "mono", NOON_US, CLOSES_US, (("meter:hall", -7), (STRAY, 7)))
    own = replace(charge("hall", RELEASE, NOON_US), owner=HOSTILE)
    rows = RowSegment("hall", NOON_US, None, charges=(own,), postings=(entry, other), findings=(one,))
    await kept.replace("hall", None, [rows])
    return kept


async def told(one: Finding, *, names: bool = False) -> str:
    async with asking(await journal(one), ACCOUNTING if names else READER) as client:
        answer = await client.get(f"/findings/{one.id}")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    return answer.text


async def test_it_says_where_the_ledger_has_the_pages_and_persons_are_added_up() -> None:
    text = await told(a_surplus())
    assert (
        "the meter counted <b>9</b> impressions = <span><b>4</b> people</span> + <span><b>5</b> house:surplus</span>"
        in text
    )
    # The finding's figure and the ledger's are two, and the page says why.
    assert "4 more than the most that was expected, and 5 more than what is charged for" in text
    assert "no entry" in await told(replace(a_surplus(), evidence=()))


async def test_evidence_stands_in_order_and_what_is_told_elsewhere_is_not_told_twice() -> None:
    text = await told(a_surplus(), names=True)
    told_in_order = ("total 100 at", "the blank back of a last sheet", "alert(1)&lt;/script&gt;, owner owner-1")
    places = [text.index(part) for part in told_in_order]
    assert places == sorted(places)
    assert "applied twice" not in text


async def test_names_and_senders_words_are_for_those_who_may_see_names() -> None:
    one = spoken_of(a_surplus())
    hidden, whole = await told(one), await told(one, names=True)
    for name in ("alert(1)", "night-porter", "Mx Invented", "owner-1"):
        assert name in whole
        assert name not in hidden
    assert "1 piece of evidence hidden" in hidden
    # What was decided, and when, is no name.
    for text in (hidden, whole):
        assert "explain, because: jam" in text
        assert "2026-01-01 12:00:00" in text


async def test_releases_are_links_whatever_their_names_hold() -> None:
    text = await told(a_surplus())
    assert 'href="/releases/a%2Fb%3Fc?source=urn%3Aexample%3Arelease-server"' in text


async def test_decisions_about_its_pages_stand_beside_it() -> None:
    kept = await journal(a_surplus())
    moved = PageDecision(
        "move", 2, "agreed", "total", RELEASE.source, RELEASE.release, None, "surplus", "person", "someone-else"
    )
    await kept.append(PagesDecided("hall", origin("move-1", NOON_US + 60 * SECOND_US), "warden", moved))
    async with asking(kept, READER) as client:
        hidden = (await client.get(f"/findings/{a_surplus().id}")).text
    async with asking(kept, ACCOUNTING) as client:
        whole = (await client.get(f"/findings/{a_surplus().id}")).text
    assert "move 2 (total) to a person, because: agreed" in hidden
    assert "someone-else" not in hidden
    assert "someone-else" in whole


async def test_a_finding_that_is_gone_is_answered_with_why() -> None:
    async with asking(MemoryJournal()) as client:
        answer = await client.get("/findings/f-gone")
    assert answer.status_code == 404
    assert "a late notice may have explained it away" in answer.text


async def test_a_kind_of_another_version_is_shown_all_the_same() -> None:
    odd = replace(a_surplus(), kind="of-tomorrow", evidence=(Evidence(EvidenceKind.MORE, (("count", 2),)),))
    assert "Nothing is known to do about this kind." in await told(odd)


async def shown_after(path: str, token: str, acts: Caller, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(forms, "form_token_of", lambda _: token)
    async with asking(await journal(replace(a_surplus(), kind="unknown-printer")), acts) as client:
        answer = await client.get(path)
    assert answer.status_code == 200
    return answer.text


async def test_what_was_said_can_be_taken_back_and_what_can_not_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forms, "form_token_of", lambda _: "secret-of-mara")
    unknown = replace(a_surplus(), kind="unknown-printer")
    booked = Decided("hall", origin("d-2"), unknown.id, "book", "night-porter", at="annex")
    taken_back = Decided("hall", origin("d-3"), unknown.id, "reopen", "night-porter")
    undo = 'value="reopen"'
    assert undo in await told(spoken_of(unknown), names=True)
    assert undo not in await told(unknown, names=True)
    assert undo not in await told(with_decisions(spoken_of(unknown), [taken_back]), names=True)
    after = await told(with_decisions(unknown, [booked]), names=True)
    assert undo not in after
    assert "its releases were booked at another printer, and stay there" in after
    assert "can&#39;t be taken back" in after or "can't be taken back" in after


@pytest.mark.parametrize("path", [f"/findings/{a_surplus().id}", "/findings"])
async def test_a_form_is_shown_to_a_session_that_may_decide_and_to_nobody_else(
    path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for token, caller in (("", ACCOUNTING), ("secret-of-mara", READER)):
        assert 'method="post"' not in await shown_after(path, token, caller, monkeypatch)
    first = await shown_after(path, "secret-of-mara", ACCOUNTING, monkeypatch)
    second = await shown_after(path, "secret-of-mara", ACCOUNTING, monkeypatch)
    for text in (first, second):
        sent = re.findall(r'<form[^>]* method="post" action="([^"]+)">(.*?)</form>', text, re.DOTALL)
        assert sent
        for action, form in sent:
            assert posts_form({"type": "http", "method": "POST", "path": action})
            assert 'name="csrf" value="secret-of-mara"' in form
    # What two pages send are two decisions.
    assert re.findall(r'name="key" value="([^"]+)"', first) != re.findall(r'name="key" value="([^"]+)"', second)


@pytest.mark.parametrize("path", [f"/findings/{a_surplus().id}", "/findings"])
async def test_what_came_of_a_form_is_said_in_words_of_a_closed_set(path: str) -> None:
    async with asking(await journal(a_surplus())) as client:
        for came, text in TEXTS.items():
            answer = await client.get(path, params={"came": came})
            assert str(escape(text)) in answer.text
        assert (await client.get(path, params={"came": HOSTILE})).status_code == 400
        several = await client.get("/findings?came=closed&done=2&of=3")
    assert "2 of 3 are recorded." in several.text
