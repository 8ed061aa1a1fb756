"""A centre's answer as it lies in a broker: a JSON object with the members that its HTTP endpoint answers, and with the
``id`` of the message that it answers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, Final

from pagereeve.domain.forwarding.message import MessageId
from pagereeve.domain.forwarding.refusal import CAUSES
from pagereeve.domain.values.canonical import canonical
from pagereeve.ports.broker import HeardAnswer
from pagereeve.ports.forwarding import NotForwarded
from pagereeve.receivers.centre_answers import answer_of, is_place
from pagereeve.receivers.wording import one_line

SHOWN: Final = 300


def answer_text(message_id: str, members: Mapping[str, Any]) -> bytes:
    return canonical({"id": message_id, **members})


def read_answer(text: bytes, centre: str) -> HeardAnswer | None:
    """None where it is to no message of ours. Raises NotForwarded for what is none."""
    members: object = None
    with suppress(ValueError, RecursionError):
        members = json.loads(text)
    if not isinstance(members, dict) or not isinstance(members.get("id"), str):
        raise NotForwarded("malformed", f"what the broker of {centre} keeps as the centre's answer is none")
    message_id = MessageId.parsed(members["id"])
    if message_id is None:
        return None
    if (cause := next((one for one in CAUSES if one == members.get("cause")), None)) is not None:
        has, words = members.get("has"), one_line(str(members.get("detail", "")), SHOWN)
        refused = NotForwarded(cause, f"{centre} answered: {words}", has if is_place(has) else None)
        return HeardAnswer(message_id, refused=refused)
    return HeardAnswer(message_id, answer_of(members, centre))
