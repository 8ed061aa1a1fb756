"""Each of our words on a page leads to what it means."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pagereeve.console import pages
from pagereeve.console.pages.own_words import ANCHORS, own_words, word
from pagereeve.console.pages.words import words_of
from tests.asking import ACCOUNTING, asking
from tests.histories import journal_of
from tests.unit.console.test_release_page import own

GLOSSARY = Path(__file__).parents[3] / "contrib" / "docs" / "glossary.md"
TEMPLATES = Path(*pages.__path__) / "templates"
# Pages in which nobody has met our words yet, and those that are parts of others.
WITHOUT = {"frame.html", "words.html", "sign_in.html", "problem.html", "unfinished.html", "begun.html", "sums.html"}


def test_each_word_has_its_place_in_the_glossary() -> None:
    known = {one.anchor for one in words_of(GLOSSARY.read_text(encoding="utf-8"))}
    assert set(ANCHORS.values()) <= known


def test_a_word_that_is_none_of_ours_is_no_link() -> None:
    with pytest.raises(KeyError):
        word("toner")
    assert str(word("<b>", "cut")) == '<a class="word" href="/words#cut">&lt;b&gt;</a>'
    assert re.sub("<[^>]*>", "", own_words("cut", "gap")) == "cut, gap"


def test_each_page_of_figures_names_its_words() -> None:
    texts = {one.name: one.read_text(encoding="utf-8") for one in TEMPLATES.glob("*.html")}
    whole = {name for name, text in texts.items() if '{% extends "frame.html" %}' in text} - WITHOUT
    assert {name for name in whole if "block own_words" not in texts[name]} == set()
    assert len(whole) > 15


async def test_a_releases_page_leads_to_them() -> None:
    async with asking(await journal_of(own("r-1")), ACCOUNTING) as client:
        text = (await client.get("/releases/r-1")).text
    [foot] = re.findall("<footer.*?</footer>", text, re.DOTALL)
    for anchor in ("verdict", "grade", "bracket", "window"):
        assert f'href="/words#{anchor}"' in foot
    assert '<a class="word" href="/words#verdict">Verdict</a>: <b>agrees</b>' in text
