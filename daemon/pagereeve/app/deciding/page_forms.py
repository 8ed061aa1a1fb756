"""Forms that decide about pages: waive, confirm, move, undo; each release of a form is decided for itself."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode

from pydantic import TypeAdapter

from pagereeve.app.deciding.form_fields import Fields, came_of, fields_of, key_of, members_of
from pagereeve.console.api.deciding.bodies import Move, PagesDecision, Settle, Undo
from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.pages.came import DONE, Came
from pagereeve.console.pages.forms import TOGETHER_MAX
from pagereeve.console.sign_in.requests import own_path
from pagereeve.domain.credentials.callers import Caller

DECIDE: Final = "/decisions/pages"
UNDO: Final = "/decisions/undo"
PAGE_FORMS: Final = frozenset({DECIDE, UNDO})

_DECISION: Final[TypeAdapter[Settle | Move]] = TypeAdapter(PagesDecision)
_SAID: Final = ("act", "reason", "text", "pages")
_MOVED: Final = ("from", "to", "to_name")
_DONE: Final[Mapping[str, Came]] = {"waive": "waived", "confirm": "confirmed", "move": "moved"}


class PageForms:
    def __init__(self, deciding: Deciding) -> None:
        self._deciding = deciding

    async def address_after(self, path: str, body: bytes, caller: Caller) -> str:
        """Back to the page that the form was on, which says what came of it."""
        fields = fields_of(body)
        came = await (self._undo(fields, caller) if path == UNDO else self._decide(fields, caller))
        back = own_path(fields.get("back", ("",))[-1])
        return f"{back}{'&' if '?' in back else '?'}{urlencode(came)}"

    async def _decide(self, fields: Fields, caller: Caller) -> dict[str, Any]:
        """All of them are tried, each for itself."""
        named = list(dict.fromkeys(fields.get("of", ())))
        if not 0 < len(named) <= TOGETHER_MAX:
            return {"came": "bad"}
        came = await asyncio.gather(*(came_of(self._decide_one(one, fields, caller)) for one in named))
        worst = next((one for one in came if one not in DONE), came[0])
        return {"came": worst} if len(came) == 1 else {"came": worst, "done": _count(came), "of": len(came)}

    async def _decide_one(self, named: str, fields: Fields, caller: Caller) -> Came:
        try:
            said = _DECISION.validate_python(_body(named, fields))
            key = key_of(fields, f"{said.act} {named}")
        except ValueError:
            return "bad"
        decided = await self._deciding.on_pages(said, caller, key)
        return _DONE[said.act] if decided.shown else "pending"

    async def _undo(self, fields: Fields, caller: Caller) -> dict[str, Any]:
        async def undone() -> Came:
            try:
                [decision] = fields.get("decision", ("",))
                said = Undo.model_validate(members_of(fields, ("reason", "text")))
                key = key_of(fields, decision)
            except ValueError:
                return "bad"
            return "undone" if (await self._deciding.undo(decision, said, caller, key)).shown else "pending"

        return {"came": await came_of(undone())}


def _body(named: str, fields: Fields) -> dict[str, Any]:
    """Raises ValueError where something is missing that every decision has."""
    members = members_of(fields, _SAID)
    if "pages" in members:
        members["pages"] = int(members["pages"])
    if members.get("act") == "move":
        members |= members_of(fields, _MOVED)
    of = dict(parse_qsl(named, keep_blank_values=True, strict_parsing=True, max_num_fields=3))
    channel = of.pop("channel", None)
    return {**members, "of": of, **({"channel": channel} if channel else {})}


def _count(came: Sequence[Came]) -> int:
    return sum(one in DONE for one in came)
