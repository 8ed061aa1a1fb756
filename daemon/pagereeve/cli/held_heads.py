"""Heads that somebody kept outside of the journal, as options and files name them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.queries.verify import HeldHead

FILE_MAX_BYTES: Final = 16 * 2**20
HEADS_MAX: Final = 10_000
_HEAD: Final = re.compile(r"(?:([0-9]{1,18}):)?([0-9a-f]{64})", re.ASCII)


def held_heads(named: Sequence[str]) -> Sequence[HeldHead]:
    """Each is a head, or a file with one a line: as text, or a JSON object with ``size``, ``head`` and ``origin``.

    So a log of the daemon's can be handed in as it is: other lines are passed over. Raises BadQuestion.
    """
    heads = [head for one in named for head in _of(one)]
    if len(heads) > HEADS_MAX:
        raise BadQuestion("--head", f"{len(heads)} heads are too many; {HEADS_MAX} at most")
    return heads


def _of(named: str) -> Sequence[HeldHead]:
    known = _HEAD.fullmatch(named)
    if known is not None:
        return [_head(known)]
    path = Path(named)
    if not path.is_file():
        raise BadQuestion("--head", f"{named[:80]!r} is no head (SIZE:HEX, 64 hexadecimal digits) and no file")
    if path.stat().st_size > FILE_MAX_BYTES:
        raise BadQuestion("--head", f"{path.name} is larger than {FILE_MAX_BYTES} bytes")
    heads = list(_in_file(path))
    if not heads:
        raise BadQuestion("--head", f"{path.name} holds no head")
    return heads


def _in_file(path: Path) -> Iterator[HeldHead]:
    text = path.read_text(encoding="utf-8", errors="replace")
    whole = _json_of(text)
    if whole is not None:
        head = _of_members(whole, path.name)
        if head is not None:
            yield head
        return
    for number, line in enumerate(text.splitlines(), start=1):
        where = f"{path.name}:{number}"
        known, members = _HEAD.fullmatch(line.strip()), _json_of(line)
        head = _head(known, where) if known is not None else _of_members(members, where)
        if head is not None:
            yield head


def _json_of(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _of_members(members: Any, where: str) -> HeldHead | None:
    if not isinstance(members, dict):
        return None
    members = members.get("seal", members)
    if not isinstance(members, dict):
        return None
    size, head, origin = (members.get(name) for name in ("size", "head", "origin"))
    if not isinstance(size, int) or not isinstance(head, str) or _HEAD.fullmatch(head) is None:
        return None
    return HeldHead(head, size, origin if isinstance(origin, str) else None, where)


def _head(known: re.Match[str], where: str = "") -> HeldHead:
    return HeldHead(known[2], None if known[1] is None else int(known[1]), None, where)
