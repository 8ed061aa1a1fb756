"""Asking the daemon that runs on this machine, over its own HTTP endpoint; bounded in time and size."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any, Final

import httpx2

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.settings import HostPort

ANSWER_S: Final = 15.0
ANSWER_MAX_BYTES: Final = 2**20
READY_PATH: Final = "/readyz"
EVENTS_PATH: Final = "/v1/events"
_HEADERS: Final = {"user-agent": "pagereeve", "accept-encoding": "identity"}
# An address of all interfaces is asked on loopback.
_LOOPBACK: Final = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - asked, not listened on


class NotTaken(PagereeveError):
    """The daemon, or the journal, did not take what was said."""


class NoDaemon(PagereeveError):
    """Nobody listens at the daemon's address."""


class _NoAnswer(Exception):
    """``reason`` is the kind of error; never what was sent, a token among it."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class _Refused(_NoAnswer):
    """Nobody listens there."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """What the daemon's own page says; ``not_ready`` is None where nobody answered, and ``trouble`` says why.

    ``notices`` are what somebody should look at though all works.
    """

    not_ready: Mapping[str, str] | None = None
    notices: Mapping[str, str] = field(default_factory=dict)
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Answer:
    status: int
    body: bytes = field(repr=False)

    def members(self) -> Mapping[str, Any]:
        """Of the JSON object that it holds; empty where it holds none."""
        try:
            members = json.loads(self.body)
        except ValueError:
            return {}
        return members if isinstance(members, dict) else {}


def readiness_of(listen: HostPort, token: str = "") -> Readiness:
    """/readyz of the daemon that listens there. Without a token that may read it says only whether all is well."""
    try:
        answer = _exchange("GET", listen, READY_PATH, _bearer(token))
    except _Refused:
        return Readiness(trouble="nobody listens there")
    except _NoAnswer as error:
        return Readiness(trouble=f"no answer, {error.reason}")
    if answer.status not in {HTTPStatus.OK, HTTPStatus.SERVICE_UNAVAILABLE}:
        return Readiness(trouble=f"somebody else does: /readyz answers {answer.status}")
    not_ready = answer.members().get("not_ready")
    if not_ready is None and isinstance(ready := answer.members().get("ready"), bool):
        return Readiness(not_ready={} if ready else {"unnamed": "which part, it tells a token that may read"})
    if not isinstance(not_ready, dict):
        return Readiness(trouble="somebody else does: /readyz is not ours")
    notices = answer.members().get("notices")
    return Readiness(not_ready=not_ready, notices=notices if isinstance(notices, dict) else {})


def send_event(address: HostPort, token: str, envelope: Mapping[str, Any]) -> None:
    """A CloudEvent in structured mode; returns once it is durable. Raises NoDaemon, NotTaken."""
    headers = {"content-type": "application/cloudevents+json", **_bearer(token)}
    try:
        answer = _exchange("POST", address, EVENTS_PATH, headers, json.dumps(envelope).encode())
    except _Refused as error:
        raise NoDaemon(f"nobody listens at {address}") from error
    except _NoAnswer as error:
        raise NotTaken(f"the daemon at {address} did not answer ({error.reason}); try again") from error
    if answer.status >= HTTPStatus.MULTIPLE_CHOICES:
        why = answer.members().get("detail") or _phrase(answer.status)
        raise NotTaken(f"the daemon at {address} did not take it: {why}")


def _bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"} if token else {}


def _exchange(
    method: str, address: HostPort, path: str, headers: Mapping[str, str] | None = None, body: bytes | None = None
) -> _Answer:
    """Proxies and other settings of the environment are not used, redirects not followed. Raises _NoAnswer."""
    place = HostPort(_LOOPBACK.get(address.host, address.host), address.port)
    ends_s = time.monotonic() + ANSWER_S
    try:
        with (
            httpx2.Client(verify=False, trust_env=False, timeout=ANSWER_S, headers=_HEADERS) as client,
            client.stream(method, f"http://{place}{path}", headers=headers, content=body) as response,
        ):
            return _Answer(response.status_code, _bounded(response, ends_s))
    except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
        cause = _cause(error)
        raise (_Refused if isinstance(cause, ConnectionRefusedError) else _NoAnswer)(_kind(error, cause)) from error


def _bounded(response: httpx2.Response, ends_s: float) -> bytes:
    body = b""
    for chunk in response.iter_raw():
        body += chunk[: ANSWER_MAX_BYTES - len(body)]
        if len(body) >= ANSWER_MAX_BYTES:
            break
        if time.monotonic() > ends_s:
            raise TimeoutError
    return body


def _cause(error: BaseException) -> BaseException:
    """The system's error beneath the library's, where there is one."""
    beneath: BaseException | None = error
    while beneath is not None and not isinstance(beneath, OSError):
        beneath = beneath.__cause__ or beneath.__context__
    return error if beneath is None else beneath


def _kind(error: Exception, cause: BaseException) -> str:
    return TimeoutError.__name__ if isinstance(error, httpx2.TimeoutException) else type(cause).__name__


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return str(status)
