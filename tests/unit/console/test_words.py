"""The glossary as a page: every row of the document, each with an address, and none of it markup by accident."""

from __future__ import annotations

from pathlib import Path

from pagereeve.console.pages.words import words_of

GLOSSARY = Path(__file__).parents[3] / "contrib" / "docs" / "glossary.md"


def test_every_row_is_a_word_with_an_address_of_its_own() -> None:
    text = GLOSSARY.read_text()
    words = words_of(text)
    assert len(words) == sum(line.startswith("| ") for line in text.splitlines()) - 2
    assert len({one.anchor for one in words}) == len(words)
    assert all(one.anchor and one.word and one.meaning for one in words)
    shown = "".join(one.word + one.meaning for one in words)
    assert "](" not in shown
    assert "`" not in shown


def test_what_looks_like_markup_is_text() -> None:
    [word] = words_of("| word | meaning |\n| --- | --- |\n| `<b>` & co | see [*this*](x.md), <script> |\n")
    assert word.word == "<code>&lt;b&gt;</code> &amp; co"
    assert "<script>" not in word.meaning
    assert word.anchor == "b-co"
