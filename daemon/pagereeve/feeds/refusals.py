"""What an endpoint refuses, and the RFC 9457 problem that it answers. Reasons are a closed set of labels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal, Self

from pagereeve.domain.values.errors import BadFact, PagereeveError
from pagereeve.domain.values.faults import errors_of
from pagereeve.ports.intake import DecidedEnough
from pagereeve.ports.journal import HINDRANCES, Hindrance

# The intake may take so long to keep a sample of what was refused; the sender waits for it.
KEEP_ASIDE_S: Final = 2.0

Reason = Literal[
    "bad-http",
    "bad-json",
    "bad-cloudevent",
    "bad-member",
    "conflict",
    "unauthorized",
    "forbidden",
    "wrong-method",
    "wrong-media-type",
    "too-large",
    "head-too-large",
    "misdirected",
    "too-slow",
    "too-many-requests",
    "over-quota",
    "over-capacity",
    "unusable-setting",
    "journal-unavailable",
    "internal",
    "line-too-long",
    "line-not-text",
    "line-not-framed",
]

# Reason: (HTTP status, title). Lines have no status: nobody gets an answer.
HTTP_REASONS: Final[dict[Reason, tuple[int, str]]] = {
    "bad-http": (400, "The request is not HTTP/1.1"),
    "bad-json": (400, "The body is not strict JSON"),
    "bad-cloudevent": (400, "The request is not a CloudEvent 1.0"),
    "unauthorized": (401, "A credential is needed"),
    "forbidden": (403, "Who asks may not do that"),
    "wrong-method": (405, "Only POST is served here"),
    "too-slow": (408, "The request did not arrive in time"),
    "conflict": (409, "The same event was stored before with other data"),
    "too-large": (413, "The request is too large"),
    "wrong-media-type": (415, "The media type is not served here"),
    "misdirected": (421, "The request is for another host"),
    "bad-member": (422, "A member of the event is not acceptable"),
    "too-many-requests": (429, "Too many requests from one sender"),
    "over-quota": (429, "The sender has used up what it may store in a day"),
    "head-too-large": (431, "The request line or the header lines are too large"),
    "internal": (500, "The event could not be processed"),
    "journal-unavailable": (503, "The event was not stored"),
    "over-capacity": (503, "Too many requests at once"),
    "unusable-setting": (503, "What a setting names can't be used now"),
}

DETAIL_MAX = 400


class Refusal(PagereeveError):
    """Something an endpoint can't read: ``where`` names the place, ``problem`` what is wrong and what to do.

    ``cause`` says of which kind a hindrance of our own is, why a credential is not known, or which act is lacking;
    ``retry_after_s`` is when to send it again, where that is known. ``errors`` are (place, problem) of all that is
    wrong, where it is more than one thing.
    """

    def __init__(
        self,
        reason: Reason,
        where: str,
        problem: str,
        cause: str = "",
        *,
        retry_after_s: int | None = None,
        errors: tuple[tuple[str, str], ...] = (),
    ) -> None:
        super().__init__(f"{where}: {problem}")
        self.reason: Reason = reason
        self.where = where
        self.problem = problem
        self.cause = cause
        self.retry_after_s = retry_after_s
        self.errors = errors

    def let_go(self) -> Self:
        """As an answer keeps it: without the frames that raised it, and the errors that it was made of.

        They would hold the request's body, and be held by it, until the collector comes.
        """
        self.__traceback__ = self.__context__ = self.__cause__ = None
        return self


@dataclass(frozen=True, slots=True)
class PutOff:
    """Senders that can wait are told to come again after so long: what hinders the journal, or None where more is
    asked than the daemon can do.
    """

    after_s: int
    hindrance: Hindrance | None = None

    def refusal(self) -> Refusal:
        if self.hindrance is None:
            problem = f"the daemon is overloaded, and nothing was stored; send it again after {self.after_s} s"
            return Refusal("over-capacity", "request", problem, "overloaded", retry_after_s=self.after_s)
        problem = f"nothing was stored: {HINDRANCES[self.hindrance]}; send it again after {self.after_s} s"
        return Refusal("journal-unavailable", "request", problem, self.hindrance, retry_after_s=self.after_s)


@dataclass(frozen=True, slots=True)
class BadItem:
    """An item of a batch that is no CloudEvent. ``source`` and ``id`` are given back where they can be."""

    refusal: Refusal
    source: str | None
    id: str | None
    item: Any


def refusal_of(bad: BadFact) -> Refusal:
    """The same, for the sender. A refused badge number is never repeated, whatever the error's text holds."""
    if isinstance(bad, DecidedEnough):
        return Refusal("forbidden", bad.where, bad.problem, "pages-day-max")
    errors = tuple((one.where, told_problem(one)) for one in errors_of(bad))
    return Refusal("bad-member", *errors[0], errors=errors if len(errors) > 1 else ())


def told_problem(bad: BadFact) -> str:
    """What may be repeated of an error."""
    if bad.where.rsplit(".", 1)[-1] == "badge":
        return "is no usable badge number; send a text of 1 to 200 characters"
    return bad.problem


def problem_of(refusal: Refusal) -> dict[str, Any]:
    """The members of an RFC 9457 problem; ``where``, ``cause`` and ``errors`` are our extensions (its section 3.2)."""
    status, title = HTTP_REASONS[refusal.reason]
    detail = str(refusal)
    return {
        "type": f"urn:pagereeve:problem:{refusal.reason}",
        "title": title,
        "status": status,
        "detail": detail if len(detail) <= DETAIL_MAX else f"{detail[:DETAIL_MAX]}…",
        "where": refusal.where,
        **({"cause": refusal.cause} if refusal.cause else {}),
        **({"errors": [{"where": where, "detail": text} for where, text in refusal.errors]} if refusal.errors else {}),
    }
