"""What came of a form, as the page after it says it: a closed set, so that no address makes a page say other things."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

Came = Literal[
    "explained",
    "closed",
    "booked",
    "reopened",
    "undone",
    "waived",
    "confirmed",
    "moved",
    "period-closed",
    "closing",
    "not-named",
    "not-closed",
    "pending",
    "ended",
    "gone",
    "conflict",
    "not-possible",
    "not-allowed",
    "bad",
    "busy",
]

TEXTS: Final[Mapping[Came, str]] = {
    "explained": "Recorded: what it came of.",
    "closed": "Recorded: nothing is left to do.",
    "booked": "Recorded: its releases are booked at that printer.",
    "reopened": "Taken back: it is open again, and what was said before stays in its list.",
    "undone": "Undone: all is as before that decision.",
    "waived": "Recorded: nobody is charged for these pages.",
    "confirmed": "Recorded: these pages are charged to their owner.",
    "moved": "Recorded: these pages are charged elsewhere.",
    "period-closed": "Closed: its figures stay as they are.",
    "closing": "It is being closed. You may leave this page; it is closed all the same.",
    "not-named": "Not closed: write the period's name into the form, exactly as it stands here.",
    "not-closed": "Not closed.",
    "pending": "Recorded, and durable. The rows of the ledger show it in a moment: load the page again.",
    "ended": "Recorded, and the finding ended with it.",
    "gone": "There is no such finding any more: a decision or a late notice explained it away.",
    "conflict": "Not recorded: this form was sent before with something else in it. Load the page again.",
    "not-possible": "Not recorded: as things stand it can't be done. Look at what was decided before.",
    "not-allowed": "Not recorded: that is more than your credential may decide.",
    "bad": "Not recorded: something in the form is missing, or is not acceptable there.",
    "busy": "Not recorded: the daemon can't store it now. Send it again in a moment.",
}
_DECIDED: Final[tuple[Came, ...]] = (
    *("explained", "closed", "booked", "reopened", "undone", "ended"),
    *("waived", "confirmed", "moved"),
)
DONE: Final[frozenset[Came]] = frozenset((*_DECIDED, "period-closed", "closing", "pending", "gone"))
"""Those after which nothing is left to be sent again."""
