"""``/installation/add`` and ``/installation/import`` at the daemon's HTTP endpoint: its own pages, and their forms."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Final
from urllib.parse import parse_qs, urlencode
from zoneinfo import ZoneInfo

from starlette.responses import Response

from pagereeve.app.installing.drafts import EntryDraft, ListDraft
from pagereeve.app.installing.installing import Installing
from pagereeve.app.installing.shown import add_shown, import_shown
from pagereeve.app.installing.upload import LIST_MAX_BYTES, UPLOAD_MAX_BYTES, UPLOAD_S
from pagereeve.app.request_body import read_body
from pagereeve.app.see_other import see_other
from pagereeve.console.api.asker import SESSION, Asker, SignedIn
from pagereeve.console.api.problems import KINDS, ApiProblem, ProblemKind
from pagereeve.console.pages.adding import ADD, FIELDS, HERE, IMPORT, add_page, import_page
from pagereeve.console.pages.shell import page
from pagereeve.console.sign_in.multipart import is_multipart, parts_of, texts_of
from pagereeve.console.sign_in.requests import form_of, is_form
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.answers import CALLER, AsgiApp, Receive, Scope, Send
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.quotas import sender_of
from pagereeve.feeds.refusals import Reason, Refusal

FORM_MAX_BYTES: Final = 16_384
BODY_S: Final = 10.0
CONFIRM: Final = "/confirm"
CHECK: Final = "/check"
STOP: Final = "/stop"
_GETS: Final = frozenset({ADD, IMPORT})
_POSTS: Final = frozenset({ADD, ADD + CONFIRM, IMPORT, IMPORT + CHECK, IMPORT + STOP, IMPORT + CONFIRM})
_KINDS: Final[Mapping[Reason, ProblemKind]] = {
    "forbidden": "forbidden",
    "too-many-requests": "over-capacity",
    "over-capacity": "over-capacity",
    "too-slow": "too-slow",
}


def installs(scope: Scope) -> bool:
    """Is it one of these pages or forms, asked by somebody who signed in? Others have no such pages."""
    if scope["type"] != "http" or scope.get(SESSION) is None:
        return False
    return (scope["method"] in {"GET", "HEAD"} and scope["path"] in _GETS) or (
        scope["method"] == "POST" and scope["path"] in _POSTS
    )


class InstallDoor:
    """``events`` is the endpoint beside it: they share what a sender may ask for, and the counters."""

    def __init__(self, installing: Installing, events: EventsEndpoint) -> None:
        self.installing = installing
        self._events = events

    def close(self) -> None:
        self.installing.end()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        caller: Caller = scope[CALLER]
        session: SignedIn = scope[SESSION]
        asker = Asker(caller.name, caller.acts, session)
        try:
            self._events.quotas.request(sender_of(caller.name, {}))
            _require_act(caller)
            if scope["method"] == "POST":
                await see_other(send, await self._posted(scope, receive, caller.name, session.form_token))
                return
            answer = await self._page(scope, asker, session.form_token)
        except Refusal as refusal:
            self._events.stats.refused[refusal.let_go().reason] += 1
            answer = await asyncio.to_thread(self._problem, refusal, asker)
        await answer(scope, receive, send)

    async def _page(self, scope: Scope, asker: Asker, token: str) -> Response:
        doing = self.installing
        name = parse_qs(scope["query_string"].decode("latin-1")).get("draft", [""])[0]
        settings = doing.settings()
        zone = ZoneInfo(settings.site.zone)
        if scope["path"] == ADD:
            entry = doing.drafts.get(token, name, EntryDraft, doing.now_s())
            # In a thread: of thousands of printers it takes a while, in which badges would wait.
            return await asyncio.to_thread(
                lambda: add_page(asker, zone, add_shown(token, name, entry, settings, doing.unusable))
            )
        listed = doing.drafts.get(token, name, ListDraft, doing.now_s())
        return await asyncio.to_thread(
            lambda: import_page(asker, zone, import_shown(token, name, listed, doing.unusable))
        )

    async def _posted(self, scope: Scope, receive: Receive, who: str, owner: str) -> str:
        """The address of the page that says what came of it. Raises Refusal."""
        path, doing = scope["path"], self.installing
        if path == IMPORT:
            return await self._listed(scope, receive, who, owner)
        if not is_form(scope["headers"]):
            raise Refusal("wrong-media-type", "Content-Type", "is no form; send it as our page does")
        fields = form_of(await read_body(receive, FORM_MAX_BYTES, BODY_S)) or {}
        if path == ADD:
            values = {name: fields.get(name, "").strip() for name in FIELDS}
            return _at(ADD, await doing.read(values, who, owner, pins=fields.get("pin") == "yes"))
        name = fields.get("draft", "")
        if path == ADD + CONFIRM:
            entry = doing.drafts.get(owner, name, EntryDraft, doing.now_s())
            if entry is not None:
                await doing.add(entry, who)
            return _at(ADD, name)
        listed = doing.drafts.get(owner, name, ListDraft, doing.now_s())
        if listed is not None and path == IMPORT + CONFIRM:
            await doing.add_list(listed, who)
        elif listed is not None and path == IMPORT + CHECK:
            doing.check(listed, who, owner)
        elif listed is not None:
            doing.stop(listed)
        return _at(IMPORT, name)

    async def _listed(self, scope: Scope, receive: Receive, who: str, owner: str) -> str:
        if not is_multipart(scope["headers"]):
            raise Refusal("wrong-media-type", "Content-Type", "is no form with a file; send it as our page does")
        parts = parts_of(scope["headers"], await read_body(receive, UPLOAD_MAX_BYTES, UPLOAD_S)) or {}
        texts, file = texts_of(parts), parts.get("file")
        data, filename = (file.data, file.filename) if file is not None and file.data else (b"", "")
        if not data:
            data = texts.get("list", "").encode()
        if len(data) > LIST_MAX_BYTES:
            problem = f"is more than {LIST_MAX_BYTES} bytes long; pagereeve printers import takes longer ones"
            raise Refusal("too-large", "list", problem)
        return _at(IMPORT, await self.installing.plan(data, texts.get("list_name", ""), filename, who, owner))

    def _problem(self, refusal: Refusal, asker: Asker) -> Response:
        problem = ApiProblem(_KINDS.get(refusal.reason, "bad-body"), refusal.where, refusal.problem)
        status, title = KINDS[problem.kind]
        zone = ZoneInfo(self.installing.settings().site.zone)
        return page("problem.html", asker, zone, HERE, status=status, problem=problem, title=title)


def _require_act(caller: Caller) -> None:
    if not caller.may("install"):
        problem = f"needs the act install; {caller.name} has {caller.acts_text or 'none'}"
        raise Refusal("forbidden", "installation", problem, "install")


def _at(path: str, draft: str) -> str:
    return f"{path}?{urlencode({'draft': draft})}"


def with_installing(web: AsgiApp, door: InstallDoor) -> AsgiApp:
    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        await (door if installs(scope) else web)(scope, receive, send)

    return dispatch
