"""The pages for adding printers, put together for the daemon."""

from __future__ import annotations

from collections.abc import Callable

from pagereeve.app.installing.checking import Checking
from pagereeve.app.installing.door import InstallDoor
from pagereeve.app.installing.installing import Installing
from pagereeve.app.reload import Reloader
from pagereeve.app.reload_plan import LoadSettings
from pagereeve.app.settings_file import SettingsFile
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.meters.discovery.profile import Profiles
from pagereeve.ports.clock import Clock


def install_door(
    load: LoadSettings | None,
    reloader: Reloader,
    profiles: Callable[[], Profiles],
    events: EventsEndpoint,
    clock: Clock,
) -> InstallDoor:
    """``load`` is how the daemon reads its settings; nothing can be added where that is no file."""
    file = load if isinstance(load, SettingsFile) else None
    doing = Installing(file, lambda: reloader.settings, reloader.reload_now, Checking(profiles), clock)
    return InstallDoor(doing, events)
