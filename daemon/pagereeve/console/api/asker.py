"""Who asks: the daemon found it out, and says it in headers that nobody else can send (app/questions)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final, Literal, get_args
from urllib.parse import quote, unquote

from fastapi import Depends, Request

from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import ACTS, Act, Caller
from pagereeve.domain.facts.events import FINDING_DECIDED, PAGES_DECIDED
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE

NAME_HEADER: Final = "pagereeve-asker"
ACTS_HEADER: Final = "pagereeve-acts"
DECIDES_HEADER: Final = "pagereeve-decides"
SESSION_HEADER: Final = "pagereeve-session"
Decides = Literal["findings", "pages", "periods"]
DECIDES: Final[tuple[Decides, ...]] = get_args(Decides)
# In the scope of a request: the SignedIn that it was sent by.
SESSION: Final = "pagereeve.session"
# In the scope of a request: the subject of somebody who signed in at a provider, and is nobody here.
STRANGER: Final = "pagereeve.stranger"
STRANGER_HEADER: Final = "pagereeve-stranger"
# In the scope of a request: what came of signing out at a provider, as only we know it.
LEFT: Final = "pagereeve.left"
LEFT_HEADER: Final = "pagereeve-left"
Left = Literal["here", "away", "going", "both"]
"""Where somebody is signed out. ``here``: the provider was not asked, or has no way; ``away``: it can't be asked now;
``going``: the browser goes there next; ``both``: it came back from there."""
BY_ADDRESS: Final[tuple[Left, ...]] = ("here", "away")
"""What an address may have the page say: to be careful. That somebody is signed out elsewhere only the daemon says."""
CSRF_HEADER: Final = "pagereeve-csrf"
CSRF_FIELD: Final = "csrf"
"""Where a script, or a form, of our own pages puts the form token of its session."""


@dataclass(frozen=True, slots=True)
class SignedIn:
    """What pages are told of the session that they are shown to.

    ``names_until_us`` is until when names are shown (our date); None where they are hidden.
    """

    form_token: str
    by_proxy: bool = False
    may_show_names: bool = False
    names_until_us: int | None = None

    def to_header(self) -> str:
        until = "" if self.names_until_us is None else str(self.names_until_us)
        return f"{self.form_token} {self.by_proxy:d} {self.may_show_names:d} {until}".rstrip()

    @classmethod
    def of_header(cls, value: str) -> SignedIn | None:
        token, *more = value.split(" ")
        if not token:
            return None
        by_proxy, may_show, *until = more
        return cls(token, by_proxy == "1", may_show == "1", int(until[0]) if until else None)


def decided_by(caller: Caller) -> frozenset[Decides]:
    """As feeds/authorization.py lets its events by."""
    may: dict[Decides, bool] = {
        "findings": caller.may_send("decide", DECISIONS_SOURCE, FINDING_DECIDED),
        "pages": caller.may_send("decide", DECISIONS_SOURCE, PAGES_DECIDED),
        "periods": caller.may_close,
    }
    return frozenset(what for what, allowed in may.items() if allowed)


def headers_of(
    caller: Caller, session: SignedIn | None = None, stranger: str = "", left: str = ""
) -> list[tuple[bytes, bytes]]:
    """As the query process is told who asks."""
    told = [(NAME_HEADER.encode(), quote(caller.name).encode()), (ACTS_HEADER.encode(), caller.acts_text.encode())]
    told += [(DECIDES_HEADER.encode(), " ".join(sorted(decided_by(caller))).encode())]
    if stranger:
        told.append((STRANGER_HEADER.encode(), quote(stranger).encode()))
    if left:
        told.append((LEFT_HEADER.encode(), left.encode()))
    return told if session is None else [*told, (SESSION_HEADER.encode(), session.to_header().encode())]


@dataclass(frozen=True, slots=True)
class Asker:
    """The holder of a credential (no name: where none was ever made), and what it may. ``session`` is there where
    somebody signed in. ``decides``: what it may decide on, by its acts and limits.
    """

    name: str
    acts: frozenset[Act]
    session: SignedIn | None = None
    decides: frozenset[Decides] = frozenset()

    @property
    def may_ask(self) -> bool:
        """May it see anything at all? Who has yet to sign in may not."""
        return "read" in self.acts

    @property
    def sees_names(self) -> bool:
        """May it see whose releases they were?"""
        return "names" in self.acts

    def require_names(self, where: str) -> None:
        """Raises ApiProblem where the answer would be about a person."""
        if not self.sees_names and self.session is not None and self.session.may_show_names:
            raise ApiProblem(
                "forbidden", where, "is about persons, and names are hidden; have them shown first", "names"
            )
        if not self.sees_names:
            who = f"the credential {self.name}" if self.name else "who shows no credential"
            problem = f"is about persons, for which the act names is needed; {who} does not have it"
            raise ApiProblem("forbidden", where, problem, "names")


def asker_of(request: Request) -> Asker:
    acts = request.headers.get(ACTS_HEADER, "").split()
    name = unquote(request.headers.get(NAME_HEADER, ""))
    session = SignedIn.of_header(request.headers.get(SESSION_HEADER, ""))
    decides = request.headers.get(DECIDES_HEADER, "").split()
    return Asker(
        name,
        frozenset(act for act in ACTS if act in acts),
        session,
        frozenset(one for one in DECIDES if one in decides),
    )


Asking = Annotated[Asker, Depends(asker_of)]
