"""A centre over HTTP: ``POST /v1/forward`` (domain/seal/README.md has the bytes), with a bearer token."""

from __future__ import annotations

import json
import ssl
from contextlib import suppress
from http import HTTPStatus
from typing import Any, Final

from pydantic import SecretStr

from pagereeve.domain.credentials.tokens import token_trouble
from pagereeve.domain.forwarding.refusal import CAUSES
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded, Trouble
from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.receivers.centre_answers import answer_of, is_place
from pagereeve.receivers.http_posting import Posted, Poster, PostTarget
from pagereeve.receivers.kind import certificates
from pagereeve.receivers.wording import one_line

PATH: Final = "/v1/forward"
CONTENT_TYPE: Final = "application/jsonl"
# Numbers of 512 timelines, each with a name of the longest.
ANSWER_MAX_BYTES: Final = 1024 * 1024
SHOWN: Final = 300
_NOT_ALLOWED: Final = frozenset({401, 403})
_BUSY: Final = frozenset({408, 429, 503})


class HttpCentre:
    """ports.forwarding.Centre. Proxies of the environment are not used, and redirects not followed."""

    def __init__(self, settings: ForwardSettings, *, token: str, tls: ssl.SSLContext | None = None) -> None:
        self._name = settings.name
        self._token = SecretStr(token)
        url = settings.url.rstrip("/") + PATH
        self._poster = Poster(
            PostTarget(url, (), settings.timeout.seconds, tls, answer_max_bytes=ANSWER_MAX_BYTES)
        )  # fmt: skip

    @property
    def name(self) -> str:
        return self._name

    async def forward(self, batch: bytes) -> CentreAnswer:
        headers = {"content-type": CONTENT_TYPE, "authorization": f"Bearer {self._token.get_secret_value()}"}
        try:
            answer = await self._poster.exchange(batch, headers)
        except NotDelivered as error:
            raise NotForwarded("unreachable", str(error)) from error
        members = _members(answer.body)
        if answer.status == HTTPStatus.OK:
            return answer_of(members, self._name)
        raise self._refused(answer, members)

    async def close(self) -> None:
        await self._poster.close()

    def _refused(self, answer: Posted, members: dict[str, Any]) -> NotForwarded:
        """In the centre's words where it is one; they name places and timelines, and nobody."""
        detail = members.get("detail")
        words = one_line(detail, SHOWN) if isinstance(detail, str) else ""
        problem = f"{self._name} answered {answer.status}" + (f": {words}" if words else "")
        has = members.get("has")
        cause = members.get("cause")
        found: Trouble = "unreachable"
        if cause in CAUSES:
            found = next(one for one in CAUSES if one == cause)
        elif answer.status in _NOT_ALLOWED:
            found = "not-allowed"
        elif answer.status in _BUSY:
            found = "busy"
        elif answer.status == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
            found = "too-large"
        return NotForwarded(found, problem, has if is_place(has) else None, answer.retry_after_s)


def _members(body: bytes) -> dict[str, Any]:
    """Nothing where it is no JSON object: something else than a centre answered."""
    found: object = None
    with suppress(ValueError, RecursionError):
        found = json.loads(body)
    return found if isinstance(found, dict) else {}


def make_centre(settings: ForwardSettings) -> HttpCentre:
    """Raises NoSecret."""
    token = secret_from_file(settings.token_file)
    if trouble := token_trouble(token):
        raise NoSecret(f"{settings.token_file} {trouble}")
    return HttpCentre(settings, token=token, tls=certificates(settings.ca_file))
