"""A setting tried from a finding's page: what goes, what comes, whose charges change, what is to be written."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import pytest

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.ledger import RowSegment
from pagereeve.queries import what_if as queries
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.histories import journal_of
from tests.journal_samples import finding
from tests.unit.domain.story import POLICY, PRINTER, Story, at_us, printed
from tests.unit.domain.story import finding as found_in

LARGE: Final = "iso_a3_297x420mm"
NOW_US: Final = at_us(3_600)


def weighed(*counted: int) -> Story:
    """Releases of two large sides each, at a printer whose meter is said to step once for a large side."""
    story = Story(replace(POLICY, large_media_weight=1))
    total = 1_000
    for nth, pages in enumerate(counted):
        printed(story, 100 + 60 * nth, total, total + pages, pages=2, media=LARGE)
        total += pages
    return story


async def told(story: Story, path: str, *, names: bool = False) -> tuple[int, str]:
    assert isinstance(story.current, PlateauRead)
    kept = await journal_of(story.facts, story.current)
    before = await kept.segments(PRINTER)
    async with asking(kept, ACCOUNTING if names else READER, now_us=NOW_US) as client:
        answer = await client.get(path)
    # Trying stores nothing.
    assert await kept.segments(PRINTER) == before
    return answer.status_code, answer.text


def path_of(story: Story, kind: str = "surplus") -> str:
    return f"/findings/{found_in(story.ledger(), kind).id}"


async def test_a_finding_leads_to_the_setting_that_it_names_and_back() -> None:
    story = weighed(4)
    status, text = await told(story, path_of(story))
    link = re.search(r'href="([^"]+/what-if\?set=large-media-twice)"', text)
    assert (status, link is not None) == (200, True)
    assert "large_media_weight = 2" in text
    _, text = await told(story, f"{path_of(story)}/what-if?set=large-media-twice")
    assert f'href="{path_of(story)}"' in text


async def test_it_says_what_goes_what_comes_whose_charges_change_and_the_line() -> None:
    story = weighed(4, 4, 4, 2)
    ledger = story.ledger()
    asked = f"/findings/{found_in(ledger, 'diagnosis').id}/what-if?set=large-media-twice"
    _, text = await told(story, asked, names=True)
    assert "Of 4 findings, 4 would go, this one among them; 1 would come" in text
    assert "These speak against the setting" in text
    assert "People would be charged 6 pages more." in text
    assert "owner-r1" in text
    assert "policy = { large_media_weight = 2 }</code>" in text
    assert f"name = &#34;{PRINTER}&#34;" in text
    _, hidden = await told(story, asked)
    assert "owner-r1" not in hidden
    assert "r1</a>" in hidden


async def test_a_setting_that_would_change_nothing_is_no_line_to_write() -> None:
    story = weighed(4)
    _, text = await told(story, f"{path_of(story)}/what-if?set=number-up-ignored")
    assert "Nothing would change" in text
    assert "[[printers]]" not in text


async def test_no_more_is_gone_through_than_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    story = weighed(4, 4, 4)
    first = min((one for one in story.ledger().findings if one.kind == "surplus"), key=lambda one: one.since_us)
    asked = f"/findings/{first.id}/what-if?set=large-media-twice"
    monkeypatch.setattr(queries, "FACTS_MAX", 8)
    _, text = await told(story, asked)
    assert "those after that were left out" in text
    assert "Of 1 finding, 1 would go, this one among them" in text
    monkeypatch.setattr(queries, "FACTS_MAX", 1)
    _, text = await told(story, asked)
    assert "It can't be tried" in text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/findings/f-gone/what-if?set=banner-sheet", 404),
        ("{}/what-if?set=copies-twice", 400),
        ("{}/what-if?set=banner-sheet&more=1", 400),
        ("{}/what-if", 400),
    ],
)
async def test_what_can_not_be_tried_is_answered_with_why(path: str, status: int) -> None:
    story = weighed(4)
    answered, text = await told(story, path.format(path_of(story)))
    assert answered == status
    assert "<h1>" in text


async def test_what_is_about_no_printer_has_no_policy_to_try() -> None:
    kept = MemoryJournal()
    await kept.replace("", None, [RowSegment("", 1, None, findings=(replace(finding("", 1), id="f-site"),))])
    async with asking(kept) as client:
        assert (await client.get("/findings/f-site")).status_code == 200
        answer = await client.get("/findings/f-site/what-if?set=banner-sheet")
    assert answer.status_code == 400
    assert "about no printer&#39;s meter" in answer.text
