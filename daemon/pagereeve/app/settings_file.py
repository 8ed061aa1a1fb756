"""The file that the running daemon's settings come from: a reload reads it again, and pages add files beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pagereeve.settings import Settings, load_settings


@dataclass(frozen=True, slots=True)
class SettingsFile:
    """A reload_plan.LoadSettings. ``on_read`` receives what was read before anything is done with it."""

    path: Path
    on_read: Callable[[Settings], None] = lambda _: None

    def __call__(self) -> Settings:
        wanted = load_settings(self.path)
        self.on_read(wanted)
        return wanted
