"""Small histories of one printer, each with what an honest auditor says of it: facts and verdict as data (TOML).

The verdict was written before the program was asked. All data are invented. Seconds are counted from BEGIN_US.

`[[readings]]`  ``from``, ``to``: answers at each ``every`` (1) seconds. ``total`` is a figure, or two between which the
                count goes on evenly; ``counts`` the same of channels by name. ``state`` (idle), ``errors``, ``serial``,
                ``uptime`` (seconds at ``from``), ``failed`` (true: no answer came).
`[[releases]]`  ``name``, ``owner``, ``start``, ``end`` (absent: no end notice) and the ticket's members (one copy of
                ``pages`` sides unless said). ``heard`` are the seconds after which each endpoint received the start
                notice; ``undated``: without a time of its own.
`[[noted]]`     ``note`` at ``at``.
`[[frames]]`    a frame of a badge reader that can't be read, for ``reason``, each second ``from``, ``to``.
`[policy]`      members as a fact of policy has them.
`[verdict]`     ``accused``: releases that a difference names alone. ``together``: those that one names together.
                ``findings``: the kinds of all findings; ``may``: kinds that may stand beside them. ``nobodys``: pages
                at the house's accounts but maintenance and other functions; ``maintenance``, ``other`` those. ``told``:
                how many findings there are. ``never``: kinds that are not there. ``hints`` that some stretch has.
                ``channel``: the one that is billed (total).
`[verdict.releases.NAME]`  members of its charge: a value, or a list of values that are right; ``charged_most``.
"""

from __future__ import annotations

import io
import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Fact, PlateauRead, PolicySet, ReadFailed
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.values.instants import SECOND_US, to_text

FOLDER: Final = Path(__file__).parent
PRINTER: Final = "printer-1"
SERVER: Final = "/release-server"
BEGIN_US: Final = 1_772_442_000 * SECOND_US
ANSWER_US: Final = 50_000
TICKET: Final = ("pages", "copies", "sides", "number_up", "color_mode", "media", "separator_sheets")
PLAIN: Final = {"copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}

Line = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Case:
    name: str
    about: str
    source: str
    history: dict[str, Any]
    verdict: dict[str, Any]

    def lines(self) -> list[Line]:
        """The facts as a file of facts has them."""
        policy = Policy(**self.history.get("policy", {}))
        lines = [to_json(PolicySet(PRINTER, _us(-36_000), policy))]
        for release in self.history.get("releases", ()):
            lines += _release(release)
        lines += [_event(f"noted-{one['at']}", "printer.noted", one["at"], _note(one)) for one in self._noted()]
        for frames in self.history.get("frames", ()):
            lines += _frames(frames)
        *sealed, current = _runs(self.history["readings"])
        return [*lines, *map(to_json, sealed), to_json(current) | {"open": True}]

    def file(self) -> io.BytesIO:
        return io.BytesIO(b"\n".join(json.dumps(line).encode() for line in self.lines()))

    def _noted(self) -> list[dict[str, Any]]:
        noted: list[dict[str, Any]] = self.history.get("noted", [])
        return noted


def cases() -> Iterator[Case]:
    """All cases, in order of their names."""
    for path in sorted(FOLDER.glob("*.toml")):
        known = tomllib.loads(path.read_text(encoding="utf-8"))
        yield Case(path.stem, known.pop("about"), known.pop("source"), known, known.pop("verdict"))


def _us(at_s: float) -> int:
    return BEGIN_US + round(at_s * SECOND_US)


def _release(told: dict[str, Any]) -> Iterator[Line]:
    name, start_s = told["name"], told["start"]
    ticket = {member: told.get(member, PLAIN.get(member)) for member in TICKET}
    data = {"release": name, "job": f"job-{name}", "owner": told["owner"], "printer": PRINTER}
    data["ticket"] = {member: value for member, value in ticket.items() if value is not None}
    for heard_s in told.get("heard", [0.1]):
        yield _event(f"{name}.start", "release.started", start_s, data, heard_s, undated=told.get("undated", False))
    if "end" in told:
        ended: Line = {"release": name, "outcome": told.get("outcome", "completed")}
        ended |= {"pages_sent": told["pages_sent"]} if "pages_sent" in told else {}
        yield _event(f"{name}.end", "release.ended", told["end"], ended)


def _frames(told: dict[str, Any]) -> Iterator[Line]:
    for at_s in range(told["from"], told["to"] + 1):
        at = to_text(_us(at_s))
        line = {"fact": "badge-unreadable", "gateway": "gateway-1", "reader": "desk", "reason": told["reason"]}
        line |= {"source": "urn:pagereeve:feed:badges", "id": f"frame-{at_s}", "at": at, "received": at}
        yield line | {"clock": "missing"}


def _note(told: dict[str, Any]) -> dict[str, Any]:
    return {"printer": PRINTER, "note": told["note"]}


def _event(
    name: str, kind: str, at_s: float, data: dict[str, Any], heard_s: float = 0.1, *, undated: bool = False
) -> Line:
    received = to_text(_us(at_s + heard_s))
    line: Line = {"fact": "event", "type": f"pagereeve.{kind}.v1", "source": SERVER, "id": name, "printer": PRINTER}
    line |= {"data": data, "received": received}
    if undated:
        return line | {"at": received, "clock": "missing"}
    return line | {"at": to_text(_us(at_s)), "occurred": to_text(_us(at_s))}


def _runs(told: list[dict[str, Any]]) -> Iterator[Fact]:
    """What the answers come to: the finished runs, and last the one that may still grow."""
    current: PlateauRead | ReadFailed | None = None
    for reading in told:
        for answer in _answers(reading):
            recorded = record(PRINTER, current, answer)
            if recorded.sealed is not None:
                yield recorded.sealed
            current = recorded.current
    if current is not None:
        yield current


def _answers(told: dict[str, Any]) -> Iterator[Reading | Failure]:
    from_s, to_s, every_s = told["from"], told["to"], told.get("every", 1)
    counts = told.get("counts", {"total": told.get("total")})
    for nth in range(int((to_s - from_s) / every_s) + 1):
        after_s = nth * every_s
        sent_us = _us(from_s + after_s)
        if told.get("failed"):
            yield Failure(sent_us, sent_us + 2 * SECOND_US, SilenceReason.TIMEOUT)
            continue
        share = after_s / (to_s - from_s) if to_s > from_s else 1.0
        shown = tuple((name, Count(_between(counts[name], share), Unit.IMPRESSIONS)) for name in sorted(counts))
        sight = Sight(
            shown,
            told.get("serial", "SN-1"),
            "1.3.6.1.4.1.99999.1",
            PrinterState(told.get("state", "idle")),
            tuple(told.get("errors", ())),
        )
        uptime_cs = round((told["uptime"] + after_s) * 100) if "uptime" in told else None
        yield Reading(sent_us, sent_us + ANSWER_US, sight, uptime_cs)


def _between(count: int | list[int], share: float) -> int:
    if isinstance(count, int):
        return count
    first, last = count
    return first + int((last - first) * share + 1e-9)
