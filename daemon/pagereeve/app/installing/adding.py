"""From a plan to printers that are read: the file is written, the settings are read again, or nothing is changed."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import structlog

from pagereeve.app.installing.unjudged import judged, note
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.reports.device_import import entries
from pagereeve.settings import BadSettings
from pagereeve.settings.importing import CantImport, ImportPlan, NotOurs, only_import
from pagereeve.settings.page_fragments import bytes_of, put, take_back

log = structlog.get_logger("pagereeve.installing")

Came = Literal["added", "same", "refused", "not-written", "left-behind"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """``why`` is empty where it was added. ``left-behind``: refused, and the file could not be taken away again."""

    came: Came
    why: str = ""


class Adder:
    """``reload_now`` says why the settings of before stay in force; "" where the new ones are. ``data_dir`` holds the
    note of what is not judged yet.
    """

    def __init__(self, config: Path, data_dir: Path, reload_now: Callable[[], Awaitable[str]]) -> None:
        self._config = config
        self._data_dir = data_dir
        self._reload_now = reload_now
        self._turn = asyncio.Lock()

    async def add(self, target: Path, plan: Callable[[], ImportPlan], who: str) -> Outcome:
        """``plan`` reads the settings as they are now; it runs in a thread."""
        async with self._turn:
            try:
                with only_import(self._config):
                    return await self._add(target, plan, who)
            except (NotOurs, CantImport) as error:
                return Outcome("not-written", str(error))
            except BadSettings as error:
                return Outcome("not-written", "; ".join(str(one) for one in error.problems[:5]))
            except PagereeveError as error:
                return Outcome("not-written", str(error))

    async def _add(self, target: Path, plan: Callable[[], ImportPlan], who: str) -> Outcome:
        before = await asyncio.to_thread(bytes_of, target)
        planned = await asyncio.to_thread(plan)
        if planned.removes:
            removed = entries(len(planned.removes))
            return Outcome("not-written", f"{removed} would be removed; pagereeve printers import --remove does that")
        if not planned.changes:
            return Outcome("same")
        data, like = planned.text.encode(), await asyncio.to_thread(self._config.stat)
        try:
            await asyncio.to_thread(note, self._data_dir, target, data)
        except OSError as error:
            return Outcome("not-written", f"{self._data_dir} can't be written ({error.strerror or error})")
        try:
            return await self._judged(target, data, before, like, len(planned.changes), who)
        finally:
            judged(self._data_dir)

    async def _judged(
        self, target: Path, data: bytes, before: bytes | None, like: os.stat_result, changes: int, who: str
    ) -> Outcome:
        await asyncio.to_thread(put, target, data, before, like)
        log.info("a page wrote settings", credential=who, file=str(target), changes=changes)
        why = await self._reload_now()
        if not why:
            return Outcome("added")
        # Else the daemon would not start with it.
        try:
            await asyncio.to_thread(take_back, target, data, before, like)
        except CantImport as error:
            log.error("settings that were refused are still there", file=str(target), why=str(error))  # noqa: TRY400 - no fault of ours
            return Outcome("left-behind", f"{why}. {error}")
        log.warning("settings that a page wrote were refused, and taken away", file=str(target), why=why)
        await self._reload_now()  # what is wrong without it stays known, and nothing else
        return Outcome("refused", why)
