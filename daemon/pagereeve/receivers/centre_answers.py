"""What a centre answers once it holds a batch, read from its members, whatever way they came."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeGuard

from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded


def answer_of(members: Mapping[str, Any], centre: str) -> CentreAnswer:
    """Raises NotForwarded for what is none of a centre's."""
    try:
        last = members["last"]
        place = None if last is None else SealedPlace(last["timeline"], last["seq"], bytes.fromhex(last["link"]))
        has, seqs = members["has"], members["seqs"]
    except (KeyError, TypeError, ValueError):
        has, place, seqs = None, None, None
    if not is_place(has) or not isinstance(seqs, dict) or (place is None) != (has == 0):
        raise NotForwarded("malformed", f"{centre} gave an answer that is none of a centre's; is the url right?")
    return CentreAnswer(has, place, seqs)


def is_place(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0
