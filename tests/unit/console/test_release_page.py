"""The page of a release: the answer first, then its evidence; who may not see names sees none, in the picture too."""

from __future__ import annotations

import re
from typing import Final
from zoneinfo import ZoneInfo

import pytest

from pagereeve.console.api.problems import KINDS
from pagereeve.console.api.site import AskedSite
from pagereeve.console.pages.release import SHOWN_MAX, Shown, link_of
from pagereeve.console.pictures.bracket import axis_of, bracket_of
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.queries.explain import Explained, explained
from pagereeve.queries.release_evidence import Evidence
from pagereeve.settings.site import SiteSettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER, asking
from tests.histories import SOURCE, ended, journal_of, policy, reading, started
from tests.unit.queries.test_own_view import SHARED, pages

UTC = ZoneInfo("UTC")
ODD = "<i>a/b?c#d é"


def own(name: str) -> tuple[Fact, ...]:
    """Two pages of one release, on a meter that rests before and after."""
    return (policy(), reading(-60, -1, 100), started(name, 0, "anise", pages(2)), ended(name, 3), reading(9, 60, 102))


async def one(journal: MemoryJournal, name: str = "r-1") -> Evidence:
    [known] = await explained(journal, name)
    return known.evidence


def lanes(evidence: Evidence) -> dict[str, int]:
    picture = bracket_of(evidence, evidence.charges[0], UTC)
    return {lane.name: len(lane.marks) for lane in picture.lanes}


async def test_the_picture_has_the_readings_around_the_window_and_the_others_without_names() -> None:
    evidence = await one(await journal_of(SHARED))
    picture = bracket_of(evidence, evidence.charges[0], UTC)
    assert picture.runs == [(100, 107)]
    assert lanes(evidence) == {"release": 1, "window": 1, "others": 2, "badges": 0, "silences": 0}
    axis = axis_of(evidence)
    assert axis.from_us < evidence.from_us <= evidence.started_us < (evidence.to_us or 0) < axis.to_us
    for lane in picture.lanes:
        assert all(0 <= mark.x <= mark.x + mark.width <= 100.001 for mark in lane.marks)
    [band] = picture.bands
    assert (band.name, band.x) == ("fits", axis.x(evidence.stretches[0].opens_us))


async def test_an_open_bracket_ends_with_what_is_known_last() -> None:
    evidence = await one(await journal_of(SHARED[:4]))
    assert evidence.to_us is None
    assert lanes(evidence)["window"] == 1
    assert axis_of(evidence).to_us > evidence.started_us
    async with asking(await journal_of(SHARED[:4])) as client:
        text = (await client.get("/releases/r-1")).text
    assert "2 impressions released, the count is still open, <b>0 charged</b>. No verdict yet." in text
    assert "Its bracket is still open." in text


async def test_the_answer_comes_first_and_then_the_evidence() -> None:
    async with asking(await journal_of(own("release-17")), ACCOUNTING) as client:
        text = (await client.get(f"/releases/release-17?source={SOURCE}")).text
    order = [
        "What came of it?",
        "released, ",
        ">Verdict</a>: <b>",
        "What does the meter show?",
        "What happened, in order?",
        "meter read (the reading before)",
        "the release started",
        "How was it counted and charged?",
        "Before: ",
        "Posting: ",
        "Which findings name it?",
        "To hand on:",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert " style=" not in text


async def test_who_may_not_see_names_sees_none_and_the_link_has_none() -> None:
    journal = await journal_of(SHARED)
    async with asking(journal, ACCOUNTING) as client:
        shown = (await client.get("/releases/r-1")).text
    async with asking(journal, READER) as client:
        hidden = (await client.get("/releases/r-1")).text
    assert "anise" in shown
    assert "basil" not in shown.casefold(), "another person is not named to anybody here"
    assert not re.search("anise|basil", hidden.casefold())
    assert '<span class="hidden-name">hidden</span>' in hidden
    assert "people receive 7" in hidden
    for text in (shown, hidden):
        [link] = re.findall(r'To hand on: <a href="([^"]*)"', text)
        assert link == link_of(ReleaseKey(SOURCE, "r-1"))


async def test_a_release_may_have_any_name() -> None:
    journal = await journal_of(own(ODD))
    link = link_of(ReleaseKey(SOURCE, ODD))
    assert re.fullmatch(r"/releases/[A-Za-z0-9%.~_-]*\?source=[A-Za-z0-9%.~_-]*", link)
    async with asking(journal, ACCOUNTING) as client:
        answer = await client.get(link)
    assert answer.status_code == 200, answer.text
    assert ODD not in answer.text
    assert "&lt;i&gt;a/b?c#d é" in answer.text


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/releases/release-71", KINDS["not-found"][0], "release-17"),
        ("/releases/release-17?source=nobody", KINDS["not-found"][0], SOURCE),
        ("/releases/release-17?person=x", KINDS["bad-parameter"][0], "person"),
    ],
)
async def test_what_is_not_there_is_said_with_what_is(path: str, status: int, said: str) -> None:
    async with asking(await journal_of(own("release-17"))) as client:
        answer = await client.get(path)
    assert (answer.status_code, "text/html" in answer.headers["content-type"]) == (status, True)
    assert said in answer.text


MANY: Final = (
    policy(value=Policy(speed_per_minute=100_000)),
    reading(-60, -1, 41_200),
    started("r-9", 0, "anise", pages(1_200)),
    ended("r-9", 3),
    reading(9, 60, 42_500),
)


async def test_figures_stand_in_groups_and_times_in_the_sites_zone_in_each_sentence() -> None:
    site = AskedSite(site=SiteSettings(zone="Europe/Berlin"))
    async with asking(await journal_of(MANY), ACCOUNTING, site) as client:
        release = (await client.get("/releases/r-9")).text
        [name] = set(re.findall(r"/findings/(f-[0-9a-f]+)", release))
        finding = (await client.get(f"/findings/{name}")).text
        now = (await client.get("/findings")).text
        statement = (await client.get("/accounts/2026-11/printer/library-ground")).text
    for text in (release, finding, now, statement):
        said = re.sub(r"<[^>]*>|f-[0-9a-f]+|\d{4}-\d\d(-\d\d)?", " ", text)
        assert re.findall(r"(?<![\w.-])\d{4,}", said) == []
        assert "+00:00" not in said
        assert "+01:00" not in said
    for told in ("total 41\u202f200", "Counted: 42\u202f500 - 41\u202f200 = 1\u202f300", "CET, "):
        assert told in release
    assert "1\u202f300 impressions counted, 1\u202f200 expected" in release
    assert re.search("total 41\u202f200 at [0-9 :.-]+ CET, 42\u202f500 at", finding)


async def test_the_answer_of_each_billed_channel_is_what_explain_says() -> None:
    [known] = await explained(await journal_of(own("release-17")), "release-17")
    shown = Shown.of(Explained(known.evidence, known.known), UTC)
    assert 0 < len(shown.answers) <= SHOWN_MAX
    for answer in shown.answers:
        charge = answer.charge
        assert (answer.charged, answer.unsupported) == (charge.charged, charge.unproven), "nobody decided anything"
        assert str(charge.counted) in answer.counted
    assert [one.heading.split(" ")[0] for one in shown.channels] == [one.channel for one in known.evidence.charges]
