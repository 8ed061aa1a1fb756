"""Asking the daemon that runs on this machine, at its local socket; bounded in time and size.

Who asks is the user whose process this is: the socket says it. Only its health is asked over the port too.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final

import httpx2

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.local import paths
from pagereeve.feeds.local.socket_file import path_problem
from pagereeve.settings import HostPort

ANSWER_S: Final = 15.0
CLOSING_S: Final = 600.0
ANSWER_MAX_BYTES: Final = 2**20
# A clock is between the years 1 and 9999.
AHEAD_MAX_S: Final = 10_000 * 366 * 86_400
_HEADERS: Final = {"user-agent": "pagereeve", "accept-encoding": "identity"}
# An address of all interfaces is asked on loopback.
_LOOPBACK: Final = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - asked, not listened on


class NotTaken(PagereeveError):
    """The daemon, or the journal, did not take what was said."""


class NoDaemon(PagereeveError):
    """Nobody listens at the daemon's local socket."""


class _NoAnswer(Exception):
    """``reason`` is the kind of error; never what was sent."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class _Refused(_NoAnswer):
    """Nobody listens there."""


class _Closed(_NoAnswer):
    """Somebody does, and this user may not connect."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """What the daemon's own page says; ``not_ready`` is None where nobody answered, and ``trouble`` says why.

    ``notices`` are what somebody should look at though all works. ``ahead_us``: how far the machine's clock is ahead of
    the dates that facts get; 0 where nobody says it.
    """

    not_ready: Mapping[str, str] | None = None
    notices: Mapping[str, str] = field(default_factory=dict)
    trouble: str = ""
    ahead_us: int = 0


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


def readiness_of(listen: HostPort, local: Path | None = None, *, token: str = "", tls: bool = False) -> Readiness:
    """/readyz of the daemon that listens there: at the socket, where this user may connect, else at the port.

    Without the socket, and without a token that may read, it says only whether all is well. The certificate is not
    checked: a sender's view of it is not asked for, and the name would not be the machine's own.
    """
    try:
        answer = _at_either("GET", listen, local, token, tls=tls)
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
    ahead_us = _ahead_us(answer.members().get("clock"))
    return Readiness(not_ready=not_ready, notices=notices if isinstance(notices, dict) else {}, ahead_us=ahead_us)


def _ahead_us(clock: object) -> int:
    ahead_s = clock.get("ahead_s") if isinstance(clock, dict) else None
    return ahead_s * SECOND_US if type(ahead_s) is int and abs(ahead_s) <= AHEAD_MAX_S else 0


def send_event(local: Path, envelope: Mapping[str, Any]) -> None:
    """A CloudEvent in structured mode; returns once it is durable. Raises NoDaemon, NotTaken."""
    headers = {"content-type": "application/cloudevents+json"}
    _said(local, paths.EVENTS, headers, json.dumps(envelope).encode())


def agree_clock(local: Path) -> str:
    """This user says that the machine's clock is right now; the instant, as text. Raises NoDaemon, NotTaken."""
    return str(_said(local, paths.CLOCK_AGREEMENT).members().get("agreed", ""))


def ask_to_close(local: Path, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """The period that was closed; its rows may take minutes. Raises NoDaemon, NotTaken."""
    headers = {"content-type": "application/json"}
    body = json.dumps(request).encode()
    return _said(local, paths.CLOSED_PERIODS, headers, body, answer_s=CLOSING_S).members()


def send_people(local: Path, body: bytes) -> None:
    """What is said of persons, by this user (app.people_door); returns once durable. Raises NoDaemon, NotTaken."""
    _said(local, paths.PEOPLE, {"content-type": "application/json"}, body)


def _said(
    local: Path,
    path: str,
    headers: Mapping[str, str] | None = None,
    body: bytes = b"",
    *,
    answer_s: float | None = None,
) -> _Answer:
    if problem := path_problem(local):
        raise NotTaken(f"{local}: {problem}")
    try:
        answer = _exchange("POST", path, headers, body, local=local, answer_s=answer_s)
    except _Refused as error:
        raise NoDaemon(f"nobody listens at {local}") from error
    except _Closed as error:
        todo = "run it as root or as the daemon's user, or see socket, group and users in [local] of the settings"
        raise NotTaken(f"you may not connect to {local}; {todo}") from error
    except _NoAnswer as error:
        raise NotTaken(f"the daemon at {local} did not answer ({error.reason}); try again") from error
    if answer.status >= HTTPStatus.MULTIPLE_CHOICES:
        why = answer.members().get("detail") or _phrase(answer.status)
        raise NotTaken(f"the daemon at {local} did not take it: {why}")
    return answer


def _at_either(method: str, listen: HostPort, local: Path | None, token: str, *, tls: bool) -> _Answer:
    if local is not None and not path_problem(local):
        try:
            return _exchange(method, paths.READY, local=local)
        except (_Refused, _Closed):
            pass  # the port says it too, if only whether all is well
    place = HostPort(_LOOPBACK.get(listen.host, listen.host), listen.port)
    return _exchange(method, paths.READY, _bearer(token), at=f"{'https' if tls else 'http'}://{place}")


def _bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"} if token else {}


def _exchange(
    method: str,
    path: str,
    headers: Mapping[str, str] | None = None,
    body: bytes | None = None,
    *,
    local: Path | None = None,
    at: str = "http://localhost",
    answer_s: float | None = None,
) -> _Answer:
    """Proxies and other settings of the environment are not used, redirects not followed. Raises _NoAnswer."""
    limit_s = ANSWER_S if answer_s is None else answer_s
    ends_s = time.monotonic() + limit_s
    if local is not None:
        _require_open(local)
    try:
        with (
            httpx2.HTTPTransport(verify=False, trust_env=False, uds=None if local is None else str(local)) as way,
            httpx2.Client(transport=way, trust_env=False, timeout=limit_s, headers=_HEADERS) as client,
            client.stream(method, f"{at}{path}", headers=headers, content=body) as response,
        ):
            return _Answer(response.status_code, _bounded(response, ends_s))
    except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
        cause = _cause(error)
        raise _no_answer(cause)(_kind(error, cause)) from error


def _require_open(path: Path) -> None:
    """The library leaves a local socket open whose connect failed. Raises _NoAnswer."""
    with socket.socket(socket.AF_UNIX) as asking:
        asking.settimeout(0)
        code = asking.connect_ex(str(path))
    if code in {errno.ENOENT, errno.ECONNREFUSED, errno.EACCES, errno.EPERM}:
        cause = OSError(code, os.strerror(code))
        raise _no_answer(cause)(type(cause).__name__) from cause


def _no_answer(cause: BaseException) -> type[_NoAnswer]:
    match cause:
        case ConnectionRefusedError() | FileNotFoundError():
            return _Refused
        case PermissionError():
            return _Closed
        case _:
            return _NoAnswer


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
