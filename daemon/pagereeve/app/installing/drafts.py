"""What somebody is about to add: kept in memory between a form and the next, of their session alone."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

from pagereeve.app.installing.adding import Outcome
from pagereeve.ports.inspection import Inspection
from pagereeve.queries.readiness import PrinterLook
from pagereeve.settings import PrinterSettings, Problem
from pagereeve.settings.importing import ImportPlan
from pagereeve.settings.lists.devices import DeviceList

DRAFTS_MAX: Final = 40
EACH_MAX: Final = 4
LONGEST_S: Final = 3_600.0


@dataclass(slots=True)
class EntryDraft:
    """``members`` is a row of [[printers]] once its form is whole; ``seen`` what its meter answered."""

    values: Mapping[str, str]
    pins: bool
    problems: tuple[Problem, ...] = ()
    members: Mapping[str, Any] | None = None
    entry: PrinterSettings | None = None
    seen: Inspection | None = None
    target: Path | None = None
    text: str = ""
    trouble: str = ""
    outcome: Outcome | None = None
    is_busy: bool = False

    def end(self) -> None:
        """Nothing of it goes on by itself."""


@dataclass(slots=True)
class ListDraft:
    """``plan`` is what would come of ``listed``; ``text`` the file as a person can put it there."""

    name: str
    pasted: str = ""
    listed: DeviceList | None = None
    problems: tuple[Problem, ...] = ()
    plan: ImportPlan | None = None
    target: Path | None = None
    text: str = ""
    trouble: str = ""
    to_check: tuple[PrinterSettings, ...] = ()
    looks: list[PrinterLook] = field(default_factory=list)
    check: asyncio.Task[None] | None = None
    check_trouble: str = ""
    outcome: Outcome | None = None
    is_busy: bool = False

    @property
    def is_checking(self) -> bool:
        return self.check is not None and not self.check.done()

    def end(self) -> None:
        if self.check is not None:
            self.check.cancel()


Draft = EntryDraft | ListDraft
Kind = TypeVar("Kind", EntryDraft, ListDraft)


@dataclass(slots=True)
class _Kept:
    owner: str
    since_s: float
    draft: Draft


class Drafts:
    """``owner`` is the form token of a session."""

    def __init__(self) -> None:
        self._kept: dict[str, _Kept] = {}

    def put(self, owner: str, draft: Draft, now_s: float) -> str:
        """A name for it. The oldest go: of this owner, then of all."""
        for name in [name for name, one in self._kept.items() if now_s - one.since_s > LONGEST_S]:
            self._drop(name)
        own = [name for name, one in self._kept.items() if one.owner == owner]
        for name in own[: max(0, len(own) - EACH_MAX + 1)]:
            self._drop(name)
        while len(self._kept) >= DRAFTS_MAX:
            self._drop(next(iter(self._kept)))
        name = secrets.token_urlsafe(12)
        self._kept[name] = _Kept(owner, now_s, draft)
        return name

    def get(self, owner: str, name: str, kind: type[Kind], now_s: float) -> Kind | None:
        kept = self._kept.get(name)
        if kept is None or kept.owner != owner or now_s - kept.since_s > LONGEST_S:
            return None
        return kept.draft if isinstance(kept.draft, kind) else None

    def checking(self) -> int:
        """How many lists are being looked at."""
        return sum(isinstance(one.draft, ListDraft) and one.draft.is_checking for one in self._kept.values())

    def is_checking(self, owner: str) -> bool:
        return any(
            isinstance(one.draft, ListDraft) and one.draft.is_checking and one.owner == owner
            for one in self._kept.values()
        )

    def end(self) -> None:
        for name in list(self._kept):
            self._drop(name)

    def _drop(self, name: str) -> None:
        self._kept.pop(name).draft.end()
