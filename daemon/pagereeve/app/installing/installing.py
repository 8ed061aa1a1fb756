"""What the pages for adding printers do: look at meters, show what would come, and put it into the settings."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Final

import structlog

from pagereeve.app.installing.adding import Adder, Outcome
from pagereeve.app.installing.checking import Checking
from pagereeve.app.installing.drafts import Drafts, EntryDraft, ListDraft
from pagereeve.app.installing.entries import entry_draft, entry_text, pinned, plan_entry
from pagereeve.app.installing.lists import list_name, listed_in, plan_of
from pagereeve.app.settings_file import SettingsFile
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.clock import Clock
from pagereeve.queries.readiness import PrinterLook
from pagereeve.settings import BadSettings, Problem, Settings
from pagereeve.settings.importing import NotIncluded
from pagereeve.settings.page_fragments import fragment_folder, write_trouble

# Of one credential: so many meters read at once, and one in six seconds. Lists: so many, and one in a minute.
READS: Final = (1 / 6, 10.0)
LISTS: Final = (1 / 60, 10.0)
RUNS_MAX: Final = 3
# Shown again to be corrected; what is longer is a file.
PASTED_MAX_BYTES: Final = 65_536
NO_FILE: Final = "this daemon was started without a settings file"

log = structlog.get_logger("pagereeve.installing")


class Installing:
    """``settings`` gives those in force; ``file`` is None where they came from none. Who asks has the act install."""

    def __init__(
        self,
        file: SettingsFile | None,
        settings: Callable[[], Settings],
        reload_now: Callable[[], Awaitable[str]],
        checking: Checking,
        clock: Clock,
    ) -> None:
        self.settings = settings
        self.drafts = Drafts()
        self._file = file
        self._checking = checking
        self._clock = clock
        self._adder = None if file is None else Adder(file.path, settings().data_dir, reload_now)
        self._reads, self._lists = Buckets(*READS), Buckets(*LISTS)

    @property
    def unusable(self) -> str:
        return f"{NO_FILE}. Start it with pagereeve run --config FILE." if self._file is None else ""

    def now_s(self) -> float:
        return self._clock.monotonic_us() / SECOND_US

    async def check_printer(self, name: str, who: str, proven_us: Mapping[str, int]) -> PrinterLook | None:
        """One of the settings, as it is now; None where they name none so. Raises Refusal, BadSettings."""
        settings = self.settings()
        entry = next((one for one in settings.printers if one.name == name), None)
        if entry is None:
            return None
        self._pace(self._reads, who, "meters were read")
        looks = list[PrinterLook]()
        await self._checking.many([entry], settings, proven_us, looks.append, self._checking.single)
        log.info("a printer was checked", credential=who, printer=name)
        return looks[0]

    async def read(self, values: Mapping[str, str], who: str, owner: str, *, pins: bool) -> str:
        """The name of a draft: what is wrong with the form, or what the meter answered. Raises Refusal."""
        config = self._config()
        self._pace(self._reads, who, "meters were read")
        draft = await asyncio.to_thread(partial(entry_draft, values, self.settings(), pins=pins))
        if draft.members is not None and draft.entry is not None:
            try:
                await self._read(draft, config, self._note("Added on the console's page", who))
            except BadSettings as error:
                draft.problems, draft.members = error.problems, None
            except PagereeveError as error:
                draft.problems, draft.members = (Problem("", str(error)),), None
            else:
                log.info("a page read a meter", credential=who, host=draft.entry.host, port=draft.entry.port)
        return self.drafts.put(owner, draft, self.now_s())

    async def _read(self, draft: EntryDraft, config: Path, note: str) -> None:
        assert draft.members is not None  # noqa: S101 - asked by read
        assert draft.entry is not None  # noqa: S101 - asked by read
        folder = await asyncio.to_thread(fragment_folder, config)
        target = draft.target = folder / f"added-{draft.entry.name}.toml"
        try:
            await asyncio.to_thread(plan_entry, draft.members, config, target, note)
            draft.trouble = write_trouble(folder)
        except NotIncluded as error:
            draft.trouble = f"{error.problems[0].where} {error.problems[0].text}"
        draft.seen = await self._checking.one(draft.entry)
        draft.members = pinned(draft.members, draft.seen, pins=draft.pins)
        draft.text = entry_text(draft.members, note)

    async def add(self, draft: EntryDraft, who: str) -> None:
        config, target, members = self._config(), draft.target, draft.members
        if target is None or members is None or draft.is_busy or _is_done(draft.outcome) or self._adder is None:
            return
        note = self._note("Added on the console's page", who)
        draft.is_busy = True
        try:
            draft.outcome = await self._adder.add(target, partial(plan_entry, members, config, target, note), who)
        finally:
            draft.is_busy = False

    async def plan(self, data: bytes, said_name: str, filename: str, who: str, owner: str) -> str:
        """The name of a draft: what is wrong with the list, or what would come of it. Raises Refusal."""
        config = self._config()
        self._pace(self._lists, who, "lists were looked at")
        draft = ListDraft(said_name, pasted="" if filename else data[:PASTED_MAX_BYTES].decode(errors="ignore"))
        try:
            draft.name = list_name(said_name, filename)
            await self._plan(draft, data, config, self._note("The list came through the console's page", who))
        except BadSettings as error:
            draft.problems = error.problems
        except PagereeveError as error:
            draft.problems = (Problem("", str(error)),)
        return self.drafts.put(owner, draft, self.now_s())

    async def _plan(self, draft: ListDraft, data: bytes, config: Path, note: str) -> None:
        settings = self.settings()
        draft.listed = await asyncio.to_thread(listed_in, data, settings, config)
        folder = await asyncio.to_thread(fragment_folder, config)
        target = draft.target = folder / f"{draft.name}.toml"
        try:
            plan = await asyncio.to_thread(plan_of, draft.listed, config, target, note)
        except NotIncluded as error:
            draft.text, draft.trouble = error.text, f"{error.problems[0].where} {error.problems[0].text}"
            return
        draft.plan, draft.text, draft.trouble = plan, plan.text, write_trouble(folder)
        new = {one.name for one in plan.changes if one.table == "printers" and one.kind == "added"}
        draft.to_check = tuple(one for one in plan.settings.printers if one.name in new)

    async def add_list(self, draft: ListDraft, who: str) -> None:
        config, target, listed = self._config(), draft.target, draft.listed
        busy = draft.is_busy or draft.is_checking
        if target is None or listed is None or draft.plan is None or busy or _is_done(draft.outcome):
            return
        if self._adder is None:
            return
        note = self._note("The list came through the console's page", who)
        draft.is_busy = True
        try:
            draft.outcome = await self._adder.add(target, partial(plan_of, listed, config, target, note), who)
        finally:
            draft.is_busy = False

    def check(self, draft: ListDraft, who: str, owner: str) -> None:
        """In a task of its own: the page asks how far it is. Raises Refusal."""
        if draft.plan is None or not draft.to_check or draft.is_checking:
            return
        if self.drafts.is_checking(owner) or self.drafts.checking() >= RUNS_MAX:
            problem = "meters of another list are being read; wait until they are, or stop that"
            raise Refusal("over-capacity", "check", problem)
        self._pace(self._lists, who, "lists were looked at")
        draft.looks, draft.check_trouble = [], ""
        log.info("a page reads the meters of a list", credential=who, printers=len(draft.to_check))
        draft.check = asyncio.create_task(self._check(draft), name=f"check-{secrets.token_hex(4)}")

    async def _check(self, draft: ListDraft) -> None:
        assert draft.plan is not None  # noqa: S101 - asked by check

        def done(seen: PrinterLook) -> None:
            draft.looks.append(seen)

        try:
            await self._checking.many(draft.to_check, draft.plan.settings, {}, done)
        except PagereeveError as error:
            draft.check_trouble = str(error)
        except Exception:
            draft.check_trouble = "It ended by a fault of ours; the daemon's log has it."
            log.exception("reading the meters of a list failed")

    def stop(self, draft: ListDraft) -> None:
        if draft.check is not None:
            draft.check.cancel()

    def end(self) -> None:
        self.drafts.end()

    def _config(self) -> Path:
        """Raises Refusal."""
        if self._file is None:
            raise Refusal("forbidden", "settings", f"{NO_FILE}, so that nothing can be added")
        return self._file.path

    def _note(self, what: str, who: str) -> str:
        second_us = self._clock.now_us() // SECOND_US * SECOND_US
        return f"{what} by {who}, {to_text(second_us).replace('.000000', '')}."

    def _pace(self, buckets: Buckets, who: str, what: str) -> None:
        wait_s = buckets.take(who, self.now_s())
        if wait_s:
            problem = f"too many {what} in a short time; go back, wait, and send it again"
            raise Refusal("too-many-requests", "pace", problem, retry_after_s=round(wait_s) + 1)


def _is_done(outcome: Outcome | None) -> bool:
    return outcome is not None and outcome.came in {"added", "same"}
