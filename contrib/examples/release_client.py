"""How a release server reports what it releases, in the standard library alone: copy it and change what you need.

    notices = Notices("http://127.0.0.1:8731/v1/events", "/release-server", Path("notices.ndjson"))
    notices.start("r-1001", job="j-77", owner="user-anise", printer="library-ground", ticket={"pages": 5})
    ...let the job print...
    notices.end("r-1001", "completed", pages_sent=5)
    ...and every minute or so:
    notices.send_late()

``start`` returns once the job may be let go: the printer's meter has been read, and the releases before it have come
to rest, or the wait is over. A person stands at the printer, so whatever goes wrong it returns after WAIT_S and a
little. What could not be sent is kept in a file, in order, and sent later in batches, without waiting: its job was let
go long ago. A notice may be sent as often as you like: its (source, id) is its identity.
"""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

WAIT_S = 20  # the longest that a person waits for pages; the daemon's wait_max may be shorter
MARGIN_S = 5
TRIES = 3  # within WAIT_S
PAUSE_S = 0.2
BATCH = 100
STARTED, ENDED = "pagereeve.release.started.v1", "pagereeve.release.ended.v1"


class Undelivered(Exception):
    """Not acknowledged: it is to be sent again."""


class Notices:
    """``late`` is the file of what could not be sent yet, a notice a line. One process writes it."""

    def __init__(self, url: str, source: str, late: Path, token: str = "", wait_s: int = WAIT_S) -> None:
        self._url, self._source, self._late, self._wait_s = url, source, late, wait_s
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}

    def start(self, release: str, **data: Any) -> dict[str, Any]:
        """Report a start before the job is let go, and wait. What was answered; empty where nobody answered."""
        return self._report(STARTED, {"release": release, **data}, waits=True)

    def end(self, release: str, outcome: str, **data: Any) -> dict[str, Any]:
        """``outcome``: completed, cancelled or aborted."""
        return self._report(ENDED, {"release": release, "outcome": outcome, **data}, waits=False)

    def send_late(self) -> int:
        """Send what could not be sent, the oldest first. How many are left."""
        lines = self._late.read_text(encoding="utf-8").splitlines() if self._late.exists() else []
        while lines:
            try:
                answer = self._post([json.loads(line) for line in lines[:BATCH]], self._wait_s)
            except Undelivered:
                break
            # What is refused would be refused again: a person must see why.
            for result in answer.get("results", ()):
                if result["status"] >= 400:
                    print(f"refused: {result.get('id')}: {result.get('problem')}")
            lines = lines[BATCH:]
            self._keep(lines)
        return len(lines)

    def _report(self, kind: str, data: dict[str, Any], *, waits: bool) -> dict[str, Any]:
        time_now = datetime.now(UTC).isoformat(timespec="microseconds")
        notice: dict[str, Any] = {"specversion": "1.0", "id": str(uuid.uuid4()), "source": self._source, "type": kind}
        notice |= {"time": time_now, "data": data}
        if self._late.exists() and self._late.stat().st_size:
            return self._put_off(notice)  # nothing overtakes what waits already, and nobody waits for it
        until_s = time.monotonic() + (self._wait_s if waits else MARGIN_S)
        for _ in range(TRIES):
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                break
            try:
                return self._post(notice, left_s + MARGIN_S, wait_s=int(left_s) if waits else 0)
            except Undelivered:
                time.sleep(min(PAUSE_S, max(until_s - time.monotonic(), 0)))
        return self._put_off(notice)

    def _post(self, body: Any, timeout_s: float, wait_s: int = 0) -> dict[str, Any]:
        """The answer's members, those of a refusal too. Raises Undelivered where the notice was not acknowledged."""
        batch = isinstance(body, list)
        kind = "application/cloudevents-batch+json" if batch else "application/cloudevents+json"
        headers = self._headers | {"Content-Type": kind} | ({"Prefer": f"wait={wait_s}, rest"} if wait_s else {})
        request = urllib.request.Request(self._url, json.dumps(body).encode(), headers, method="POST")
        try:
            with urllib.request.urlopen(request, timeout=timeout_s) as answer:
                return dict(json.load(answer))
        except urllib.error.HTTPError as error:
            # 408 and 429 ask for patience, 401 and 403 for a person; 4xx else is an error of the notice's own.
            if error.code >= 500 or error.code in {401, 403, 408, 429}:
                raise Undelivered(f"answered {error.code}") from error
            print(f"refused: {error.read(4096).decode(errors='replace')}")
            return {}
        except (OSError, ValueError) as error:
            raise Undelivered(str(error)) from error

    def _put_off(self, notice: dict[str, Any]) -> dict[str, Any]:
        with self._late.open("a", encoding="utf-8") as file:
            file.write(json.dumps(notice) + "\n")
        return {}

    def _keep(self, lines: list[str]) -> None:
        """Whole or not at all: a process that dies meanwhile sends some of it twice, which changes nothing."""
        fresh = self._late.with_name(f"{self._late.name}.new")
        fresh.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        fresh.replace(self._late)
