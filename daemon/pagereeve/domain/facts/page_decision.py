"""What a person decides about pages that no proof settles: charged to nobody, to the release's owner, to others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

PagesAct = Literal["waive", "confirm", "move", "undo"]
"""waive: unproven pages are charged to nobody. confirm: they are charged to the release's owner. move: unproven pages,
or pages of a house account, go to whom ``to`` names. undo: another decision counts no more.
"""
PagesReason = Literal[
    "admitted",
    "found-out",
    "not-printed",
    "bad-print",
    "jam",
    "test-page",
    "maintenance",
    "agreed",
    "mistake",
    "other",
]
"""Why pages are charged otherwise than the meter shows, as a person says it."""
PagesFrom = Literal["unproven", "stray", "surplus", "unattributed"]
PagesTo = Literal["person", "cost-centre", "house"]
MOVED_TO_HOUSE: Final = ("stray", "surplus", "maintenance", "unattributed", "other-function")
"""The house accounts, without ``house:``, to which a person may move pages."""
DECISIONS_SOURCE: Final = "urn:pagereeve:decisions"
"""The one source of decisions about pages: so all of them are found, and an id is one decision."""


@dataclass(frozen=True, slots=True)
class PageDecision:
    """``pages`` are of a release (``release_source``, ``release_id``), or of the gap that closed at ``closes_us``.

    ``taken_from`` says where a move takes them. ``undoes`` is the id of the decision that an undo names; ``pages`` are
    then as many as that one's.
    """

    act: PagesAct
    pages: int
    reason: PagesReason
    channel: str = ""
    release_source: str = ""
    release_id: str = ""
    closes_us: int | None = None
    taken_from: PagesFrom | Literal[""] = ""
    to: PagesTo | Literal[""] = ""
    to_name: str = ""
    undoes: str = ""
    text: str = ""

    @property
    def of_release(self) -> bool:
        return bool(self.release_source and self.release_id)
