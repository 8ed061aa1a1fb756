"""What would end a loss: the setting or the repair, as a typed value with its words.

Settings are the diagnoses' own (domain.brackets.hypotheses), advice is the findings' (domain.alerts.advice). Where no
other source is named, a remedy is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.domain.accounts.losses import (
    COPIES,
    MAINTAINED,
    NO_READING,
    NOT_REGISTERED,
    RAN_TOGETHER,
    RUN_ENDED,
    STALLED,
    UNIT_UNSURE,
    UNPROVEN,
    Cause,
)
from pagereeve.domain.alerts.advice import ADVICE
from pagereeve.domain.brackets.expectation import START_UP
from pagereeve.domain.brackets.hypotheses import BY_NAME
from pagereeve.domain.facts.in_force import TEST_PAGES
from pagereeve.domain.ledger import SHORTFALL, STRAY, SURPLUS, UNATTRIBUTED

RemedyKind = Literal["setting", "repair", "arrangement", "look", "nothing"]
"""A setting of ours; something to mend at the printer; something to arrange on the site; nobody knows yet, look first;
nothing needs doing.
"""
Effect = Literal["not-printed", "charged", "expected", "proven", "unknown"]
"""What becomes of such pages then: nobody prints them; whoever printed them is charged; they are expected, and no
difference any more; counts prove them; that depends on what is found.
"""


@dataclass(frozen=True, slots=True)
class Remedy:
    kind: RemedyKind
    effect: Effect
    words: str


_COPY: Final = Remedy(
    "arrangement", "charged", "Let people copy with their badge or a code, or budget the copies of this printer."
)
_FEED: Final = Remedy("repair", "not-printed", "Have rollers and paper path of this printer looked at.")
_NOTHING: Final = Remedy("nothing", "expected", "Nothing: it is work on the printer.")
_TOGETHER: Final = Remedy(
    "arrangement",
    "proven",
    "Let the release server wait for each release to end before it starts the next one at this printer.",
)
_READABLE: Final = Remedy("repair", "proven", ADVICE["meter-silent"].first)
_OF_NAMES: Final[Mapping[str, Remedy]] = {
    COPIES: _COPY,
    MAINTAINED: _NOTHING,
    TEST_PAGES: _NOTHING,
    START_UP: Remedy("repair", "not-printed", "Turn the start-up page off at the printer."),
    RAN_TOGETHER: _TOGETHER,
    RUN_ENDED: Remedy("repair", "proven", ADVICE["meter-went-back"].first),
    NO_READING: _READABLE,
    UNIT_UNSURE: Remedy("setting", "proven", ADVICE["unit-contradicted"].first),
    NOT_REGISTERED: Remedy("setting", "proven", ADVICE["unknown-printer"].first),
    STALLED: _FEED,
    "jam": _FEED,
    "misfeed": _FEED,
    "power-loss": Remedy("repair", "proven", "Give the printer a supply that nobody switches off."),
    "lost-reading": _READABLE,
    "late-notice": Remedy("arrangement", "charged", "Let the release server send its notices at once."),
    "maintenance": _NOTHING,
    "test-page": _NOTHING,
    "replaced": Remedy("arrangement", "proven", "Note an exchange when it is made, with both meters' figures."),
    "banner": Remedy("setting", "expected", BY_NAME["banner-sheet"].cure),
    "blank-back": Remedy("setting", "expected", BY_NAME["blank-backs-counted"].cure),
    "walk-up-copy": _COPY,
    "bypass": Remedy("arrangement", "charged", "Close the way past the release server: raw port, web page, USB."),
}
_OF_FINDINGS: Final[Mapping[str, str]] = {
    STRAY: "stray-pages",
    SURPLUS: "surplus",
    UNATTRIBUTED: "surplus",
    SHORTFALL: "shortfall",
    UNPROVEN: "unproven-release",
}


def remedy_for(account: str, cause: Cause) -> Remedy:
    """Of a cause that nobody knows: what to do first."""
    hypothesis = BY_NAME.get(cause.name) if cause.known_from in {"diagnosis", "hint"} else None
    if hypothesis is not None:
        return Remedy("setting", "expected", hypothesis.cure)
    known = _OF_NAMES.get(cause.name)
    if known is not None:
        return known
    kind = _OF_FINDINGS.get(account)
    return Remedy("look", "unknown", "Ask whoever explained it." if kind is None else ADVICE[kind].first)
