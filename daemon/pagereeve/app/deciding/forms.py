"""Forms of the console's pages: what they send is decided as the API's bodies are, and a page says what came of it."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from typing import Final
from urllib.parse import quote, urlencode

from pydantic import TypeAdapter

from pagereeve.app.deciding.form_fields import Fields, came_of, fields_of, key_of, members_of
from pagereeve.app.deciding.page_forms import PAGE_FORMS, PageForms
from pagereeve.app.deciding.period_forms import PERIOD_PATHS, PeriodForms
from pagereeve.console.api.asker import SESSION
from pagereeve.console.api.deciding.bodies import FindingDecision, OnFinding, Undo
from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.pages.came import DONE, Came
from pagereeve.console.pages.forms import TOGETHER_MAX
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.answers import Scope
from pagereeve.feeds.refusals import Refusal

_PATHS: Final = re.compile(r"/findings/(?:decide|(?P<finding>[^/]+)/(?P<what>decide|undo))")
_DECISION: Final[TypeAdapter[OnFinding]] = TypeAdapter(FindingDecision)
# What is sent empty was left out.
_SAID: Final = ("action", "reason", "text", "at")
_DONE: Final[Mapping[str, Came]] = {"explain": "explained", "close": "closed", "book": "booked", "reopen": "reopened"}


def posts_form(scope: Scope) -> bool:
    if scope["type"] != "http" or scope["method"] != "POST":
        return False
    path = scope["path"]
    return path in PAGE_FORMS or any(paths.fullmatch(path) is not None for paths in (_PATHS, PERIOD_PATHS))


def require_proven(scope: Scope) -> None:
    """That a page of ours sent it: a form is what any page elsewhere can have sent. Raises Refusal."""
    if scope.get(SESSION) is None:
        problem = "is sent by a page of this console alone, to whoever signed in; programs send JSON to /v1"
        raise Refusal("forbidden", "form", problem)


class Forms:
    def __init__(self, deciding: Deciding) -> None:
        self._deciding = deciding
        self._periods = PeriodForms(deciding)
        self._pages = PageForms(deciding)

    async def address_after(self, path: str, body: bytes, caller: Caller) -> str:
        """Decide, and say where the browser goes on."""
        if path in PAGE_FORMS:
            return await self._pages.address_after(path, body, caller)
        if (period := PERIOD_PATHS.fullmatch(path)) is not None:
            return await self._periods.address_after(period["period"], body, caller)
        match = _PATHS.fullmatch(path)
        assert match is not None  # noqa: S101 - posts_form
        fields, finding = fields_of(body), match["finding"]
        if finding is None:
            return await self._together(fields, caller)
        decided = self._undo(fields, caller) if match["what"] == "undo" else self._decide(finding, fields, caller)
        came = await came_of(decided)
        at = (
            "/findings"
            if came in {"ended", "gone"}
            else f"/findings/{quote(finding, safe='', errors='surrogateescape')}"
        )
        return f"{at}?{urlencode({'came': came})}"

    async def _together(self, fields: Fields, caller: Caller) -> str:
        """All of them are tried, each for itself."""
        findings = list(dict.fromkeys(fields.get("finding", ())))
        if not 0 < len(findings) <= TOGETHER_MAX:
            return f"/findings?{urlencode({'came': 'bad'})}"
        came = await asyncio.gather(*(came_of(self._decide(one, fields, caller)) for one in findings))
        done = sum(one in DONE for one in came)
        worst = next((one for one in came if one not in DONE), came[0])
        return f"/findings?{urlencode({'came': worst, 'done': done, 'of': len(came)})}"

    async def _decide(self, finding: str, fields: Fields, caller: Caller) -> Came:
        try:
            said = _DECISION.validate_python(members_of(fields, _SAID))
            key = key_of(fields, finding)
        except ValueError:
            return "bad"
        decided = await self._deciding.on_finding(finding, said, caller, key)
        if decided.state is None:
            return "ended"
        return _DONE[decided.action] if decided.shown else "pending"

    async def _undo(self, fields: Fields, caller: Caller) -> Came:
        try:
            [decision] = fields.get("decision", ("",))
            undo = Undo.model_validate(members_of(fields, ("reason", "text")))
            key = key_of(fields, decision)
        except ValueError:
            return "bad"
        undone = await self._deciding.undo(decision, undo, caller, key)
        return "undone" if undone.shown else "pending"
