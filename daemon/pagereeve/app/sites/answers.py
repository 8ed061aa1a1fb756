"""A centre's answer as members of JSON, whatever way it goes back to the site."""

from __future__ import annotations

from typing import Any

from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.ports.forwarding import CentreAnswer


def members_of(answer: CentreAnswer) -> dict[str, Any]:
    last = answer.last
    sealed = None if last is None else {"timeline": last.timeline, "seq": last.seq, "link": last.link.hex()}
    return {"has": answer.has, "last": sealed, "seqs": dict(answer.seqs)}


def refused_members(refused: BatchRefused) -> dict[str, Any]:
    members: dict[str, Any] = {"detail": refused.problem, "cause": refused.cause}
    if refused.has is not None:
        members["has"] = refused.has
    if refused.place:
        members["place"] = refused.place
    return members
