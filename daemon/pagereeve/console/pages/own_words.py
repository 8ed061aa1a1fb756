"""Links from our own words to what they mean, at the end of each page and where one stands in its answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from markupsafe import Markup

MEANINGS: Final = "/words"
# By the word as pages have it: its place in the glossary (a test compares).
ANCHORS: Final[Mapping[str, str]] = {
    "adjustment": "adjustment",
    "badge": "badge-reader",
    "bracket": "bracket",
    "channel": "channel",
    "charged": "released-counted-charged",
    "closed": "close-frozen-rows",
    "confirm": "waive-confirm",
    "cost centre": "cost-centre-chargeback",
    "counted": "released-counted-charged",
    "cut": "cut",
    "decision": "decision",
    "diagnosis": "diagnosis",
    "fact": "fact",
    "finding": "finding",
    "gap": "gap",
    "gateway": "gateway",
    "grade": "grade",
    "house": "house",
    "impression": "impression-sheet",
    "meter": "meter",
    "meter run": "meter-run",
    "over start": "over-start-over-end",
    "proof": "proof-proven-note",
    "reading": "reading",
    "release": "held-job-release",
    "released": "released-counted-charged",
    "rest": "rest",
    "session": "sign-in-session",
    "stray pages": "stray-pages",
    "unit": "unit",
    "unsupported": "unsupported",
    "verdict": "verdict",
    "waiting": "pages-waiting-releases-waiting",
    "waive": "waive-confirm",
    "window": "window",
    "witness": "witness",
}


def word(text: str, of: str = "") -> Markup:
    """``text`` with a link to the meaning of the word ``of``, or of itself. Raises KeyError for none of ours."""
    anchor = ANCHORS[of or text.lower()]
    return Markup('<a class="word" href="{}#{}">{}</a>').format(MEANINGS, anchor, text)


def own_words(*words: str) -> Markup:
    """Those of a page."""
    return Markup(", ").join(word(one) for one in words)
