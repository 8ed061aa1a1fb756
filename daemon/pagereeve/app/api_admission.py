"""Who may send what the daemon itself does, from the head of a request alone."""

from __future__ import annotations

from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.credentials.signatures import Signed
from pagereeve.feeds.http.answers import Scope
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.quotas import sender_of
from pagereeve.feeds.refusals import Refusal


def admitted(scope: Scope, events: EventsEndpoint, act: Act, what: str) -> Caller:
    """``events`` knows callers, and what a sender may ask for; ``what`` is sent, in words. Raises Refusal."""
    try:
        found: Caller | Signed | Refusal = events.callers.of_head(scope)
    except Refusal as refusal:
        found = refusal.let_go()
    events.quotas.request(sender_of(found.name if isinstance(found, Caller) else "", scope))
    if isinstance(found, Refusal):
        raise found
    if isinstance(found, Signed):
        raise Refusal("unauthorized", "Authorization", f"{what} are not signed; show a bearer token", "missing")
    if not found.may(act):
        who = f"the credential {found.name}" if found.name else "who shows no credential"
        problem = f"needs the act {act}; {who} has {found.acts_text or 'none'}"
        raise Refusal("forbidden", "Authorization", problem, act)
    return found
