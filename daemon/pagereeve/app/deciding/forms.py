"""Forms of the console's pages: what they send is decided as the API's bodies are, and a page says what came of it."""

from __future__ import annotations

import asyncio
import hashlib
import re
from collections.abc import Awaitable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import parse_qsl, quote, urlencode

from pydantic import TypeAdapter

from pagereeve.console.api.asker import SESSION
from pagereeve.console.api.deciding.bodies import Book, Close, Explain, FindingDecision, Undo
from pagereeve.console.api.deciding.port import Deciding
from pagereeve.console.api.problems import ApiProblem, ProblemKind
from pagereeve.console.pages.came import DONE, Came
from pagereeve.console.pages.forms import TOGETHER_MAX
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.http.answers import Scope
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.journal import JournalUnavailable

_PATHS: Final = re.compile(r"/findings/(?:decide|(?P<finding>[^/]+)/(?P<what>decide|undo))")
FORM_TYPE: Final = "application/x-www-form-urlencoded"
FIELDS_MAX: Final = TOGETHER_MAX + 20
KEY_MAX: Final = 100
DIGEST_SHOWN: Final = 32

_DECISION: Final[TypeAdapter[Explain | Close | Book]] = TypeAdapter(FindingDecision)
# What is sent empty was left out.
_SAID: Final = ("action", "reason", "text", "at")
_KINDS: Final[Mapping[ProblemKind, Came]] = {
    "not-found": "gone",
    "conflict": "conflict",
    "not-possible": "not-possible",
    "over-capacity": "busy",
    "journal-unavailable": "busy",
}
_DONE: Final[Mapping[str, Came]] = {"explain": "explained", "close": "closed", "book": "booked"}

Fields = Mapping[str, Sequence[str]]


def posts_form(scope: Scope) -> bool:
    return scope["type"] == "http" and scope["method"] == "POST" and _PATHS.fullmatch(scope["path"]) is not None


def require_proven(scope: Scope) -> None:
    """That a page of ours sent it: a form is what any page elsewhere can have sent. Raises Refusal."""
    if scope.get(SESSION) is None:
        problem = "is sent by a page of this console alone, to whoever signed in; programs send JSON to /v1"
        raise Refusal("forbidden", "form", problem)


def fields_of(body: bytes) -> Fields:
    """By name, in order; none where it is no form."""
    fields: dict[str, list[str]] = {}
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=FIELDS_MAX)
        require_plain_members([list(pair) for pair in pairs], "form")
    except (ValueError, BadFact):
        return {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


class Forms:
    def __init__(self, deciding: Deciding) -> None:
        self._deciding = deciding

    async def address_after(self, path: str, body: bytes, caller: Caller) -> str:
        """Decide, and say where the browser goes on."""
        match = _PATHS.fullmatch(path)
        assert match is not None  # noqa: S101 - posts_form
        fields, finding = fields_of(body), match["finding"]
        if finding is None:
            return await self._together(fields, caller)
        decided = self._undo(fields, caller) if match["what"] == "undo" else self._decide(finding, fields, caller)
        came = await _came(decided)
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
        came = await asyncio.gather(*(_came(self._decide(one, fields, caller)) for one in findings))
        done = sum(one in DONE for one in came)
        worst = next((one for one in came if one not in DONE), came[0])
        return f"/findings?{urlencode({'came': worst, 'done': done, 'of': len(came)})}"

    async def _decide(self, finding: str, fields: Fields, caller: Caller) -> Came:
        try:
            said = _DECISION.validate_python(_members(fields, _SAID))
            key = _key(fields, finding)
        except ValueError:
            return "bad"
        decided = await self._deciding.on_finding(finding, said, caller, key)
        if decided.state is None:
            return "ended"
        return _DONE[decided.action] if decided.shown else "pending"

    async def _undo(self, fields: Fields, caller: Caller) -> Came:
        try:
            [decision] = fields.get("decision", ("",))
            undo = Undo.model_validate(_members(fields, ("reason", "text")))
            key = _key(fields, decision)
        except ValueError:
            return "bad"
        undone = await self._deciding.undo(decision, undo, caller, key)
        return "undone" if undone.shown else "pending"


def _members(fields: Fields, names: Sequence[str]) -> dict[str, Any]:
    """Those that were filled in. Raises ValueError where one came twice."""
    members = {}
    for name in names:
        [value] = fields.get(name, ("",))
        if value:
            members[name] = value
    return members


def _key(fields: Fields, of: str) -> str:
    """The form's own, for each thing that it decides on: what is sent twice is decided once. Raises ValueError."""
    [key] = fields.get("key", ("",))
    if len(key) > KEY_MAX:
        raise ValueError("key")
    digest = hashlib.sha256(f"{key} {of}".encode(errors="surrogateescape")).hexdigest()
    return f"form-{digest[:DIGEST_SHOWN]}" if key else ""


async def _came(decided: Awaitable[Came]) -> Came:
    try:
        return await decided
    except ApiProblem as problem:
        return _KINDS.get(problem.kind, "bad")
    except JournalUnavailable:
        return "busy"
    except Refusal as refusal:
        return "not-allowed" if refusal.let_go().reason == "forbidden" else "busy"
