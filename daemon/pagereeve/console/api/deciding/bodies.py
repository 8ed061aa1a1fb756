"""What somebody decides, as a body says it: strictly, so that nothing is decided that was not meant."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from pagereeve.domain.facts.facts import Reason
from pagereeve.domain.facts.page_decision import PagesReason, PagesTo
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_text

NAME_MAX: Final = 200
TEXT_MAX: Final = 1_024
REASON_MAX: Final = 500

# As domain.values.plain_text refuses it, said in the document; the door has looked before a model sees a text.
PLAIN: Final = r"^[^\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"

Name = Annotated[str, Field(min_length=1, max_length=NAME_MAX, json_schema_extra={"pattern": PLAIN})]
Source = Annotated[str, Field(min_length=1, max_length=TEXT_MAX, json_schema_extra={"pattern": PLAIN})]
Note = Annotated[
    str,
    Field(
        max_length=TEXT_MAX,
        description="Note, stored permanently. Don't put people's names in it.",
        json_schema_extra={"pattern": PLAIN},
    ),
]


def _instant(text: str) -> str:
    try:
        from_text(text)
    except BadFact as error:
        raise ValueError(error.problem) from None
    return text


class Said(BaseModel):
    """A member that is not known, or is of another type, is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Explain(Said):
    """Record the cause. ``maintenance`` turns the pages of a gap into maintenance pages."""

    action: Literal["explain"]
    reason: Reason
    text: Note = ""


class Close(Said):
    """Nothing is left to do; the cause, if it is known."""

    action: Literal["close"]
    reason: Reason | None = None
    text: Note = ""


class Book(Said):
    """Book the releases of an unknown printer at the one that made their pages."""

    action: Literal["book"]
    at: Name = Field(description="The printer that made the pages.")
    text: Note = ""


class Reopen(Said):
    """What was said of it before counts no more: it is open again. What was booked stays booked."""

    action: Literal["reopen"]
    text: Note = ""


OnFinding = Explain | Close | Book | Reopen
FindingDecision = Annotated[OnFinding, Field(discriminator="action")]


class OfRelease(Said):
    release: Name
    source: Source | None = Field(default=None, description="Needed where several sources use the name.")


class OfFinding(Said):
    """The pages of a finding."""

    finding: Name


class OfGap(Said):
    """Stray pages: the gap at a printer that closed at an instant (RFC 3339)."""

    printer: Name
    closes: Annotated[str, AfterValidator(_instant)] = Field(max_length=40, json_schema_extra={"format": "date-time"})


class _Pages(Said):
    reason: PagesReason
    channel: Name | None = Field(default=None, description="Only this counter; null: those that are billed.")
    pages: Annotated[int, Field(ge=1, le=PAGES_MAX)] | None = Field(
        default=None, description="So many; null: all that stand there."
    )
    text: Note = ""
    dry_run: bool = Field(default=False, description="Answer what would be decided, and decide nothing.")


class Settle(_Pages):
    """Unproven pages: ``waive`` charges nobody, ``confirm`` their releases' owners."""

    act: Literal["waive", "confirm"]
    of: OfRelease | OfFinding


class Move(_Pages):
    """Unproven pages of a release, or pages of a house account, go to a person, a cost centre or another house account.

    Surplus and unattributed pages are those of the bracket that a release shares; stray ones are of a gap.
    """

    act: Literal["move"]
    of: OfRelease | OfFinding | OfGap
    from_: Literal["unproven", "stray", "surplus", "unattributed"] = Field(alias="from")
    to: PagesTo
    to_name: Name = Field(description="A login, a cost centre, or a house account without house:, as maintenance.")


PagesDecision = Annotated[Settle | Move, Field(discriminator="act")]


class ClosePeriod(Said):
    """Freeze the period's rows, for good."""

    despite: str | None = Field(
        default=None,
        min_length=1,
        max_length=REASON_MAX,
        description="Why it is closed although something stands in the way; kept for good, with the holder's name.",
        json_schema_extra={"pattern": PLAIN},
    )


class Undo(Said):
    """All is as before the decision."""

    reason: PagesReason = Field(default="mistake", description="Why it counts no more.")
    text: Note = ""
