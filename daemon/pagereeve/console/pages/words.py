"""``/words``: what our own words mean, each with an address of its own."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from fastapi import APIRouter
from markupsafe import Markup, escape
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.pages.shell import page

HERE: Final = "/words"
_ROW: Final = re.compile(r"^\| (.+?) \| (.+) \|$", re.MULTILINE)
_HEADINGS: Final = ("word", "---")
# What the document is written with: code, emphasis, and links, whose text alone is shown.
_PARTS: Final = re.compile(r"`([^`]+)`|\*([^*]+)\*|\[([^\]]+)\]\([^)]+\)")

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Word:
    anchor: str
    word: Markup
    meaning: Markup


@lru_cache(maxsize=1)
def words_of(document: str) -> tuple[Word, ...]:
    """The rows of its table, in order."""
    rows = [(word, meaning) for word, meaning in _ROW.findall(document) if word.strip() not in _HEADINGS]
    return tuple(Word(anchor_of(word), _marked(word), _marked(meaning)) for word, meaning in rows)


def anchor_of(word: str) -> str:
    """Of its letters and figures."""
    return re.sub(r"[^a-z0-9]+", "-", word.lower()).strip("-")


def _marked(text: str) -> Markup:
    made, place = Markup(), 0
    for found in _PARTS.finditer(text):
        made += escape(text[place : found.start()])
        code, emphasis, link = found.groups()
        made += Markup("<code>{}</code>").format(code) if code else Markup("<em>{}</em>").format(emphasis or link)
        place = found.end()
    return made + escape(text[place:])


@router.get(HERE)
async def words(context: Context, asker: Asking) -> HTMLResponse:
    return page("words.html", asker, context.site.zone, HERE, words=words_of(context.glossary))
