"""Which settings can change while the daemon runs, and which of two settings differ in what can't."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pydantic import BaseModel

from pagereeve.ports.line_settings import RelaySettings
from pagereeve.settings.model import Settings

CHANGEABLE: Final = frozenset(
    {
        "include",
        "printers",
        "sources",
        "gateways",
        "readers",
        "people.file",
        "site",
        "periods",
        "rates",
        "policy",
        "privacy.keep_titles",
        "privacy.keep_titles_for",
        "privacy.keep_names_for",
        "alerts",
        "http.token_files",
        "http.credentials",
        "http.names",
        "http.certificate_file",
        "http.key_file",
        "http.client_ca_file",
        "http.clients",
        "local.users",
        "local.groups",
        "local.pages_max",
        "local.pages_day_max",
        "badges.form",
        "badges.directory",
        "badges.directory_form",
        "badges.swipe_window",
        "badges.travel",
        "badges.nearby",
        "badges.noisy_frames",
        "badges.changed_badges",
        "badges.silent_after",
        "badges.silent_for",
    }
)
"""What a reload takes over: whole tables, or single settings of one. Everything else is fixed until a restart."""
RELAYS: Final = "relays"
RELAYED: Final = frozenset({"gateway", "reader", "prefix", "suffix", "encoding"})
"""What of [[relays]] the daemon goes by, and takes over. All else is for the relay, which reads it at its start."""


def fixed_changes(running: Settings, wanted: Settings) -> list[str]:
    """The settings that differ and can't change while the daemon runs, as ``table.setting``, in order."""
    return list(_differing(running, wanted, ""))


def relays_to_restart(running: Settings, wanted: Settings) -> list[str]:
    """Names of relays of which something changed that only a restart of the relay takes over."""
    before = {one.name: _of_relay(one) for one in running.relays}
    return [one.name for one in wanted.relays if before.get(one.name) != _of_relay(one)]


def _of_relay(one: RelaySettings) -> tuple[object, ...]:
    # How a line ends hangs on what is around the number.
    return (one.terminator_bytes, *(getattr(one, name) for name in RelaySettings.model_fields if name not in RELAYED))


def _differing(running: BaseModel, wanted: BaseModel, above: str) -> Iterator[str]:
    for name in type(running).model_fields:
        path = f"{above}{name}"
        before, after = getattr(running, name), getattr(wanted, name)
        if path in CHANGEABLE or before == after:
            continue
        if path == RELAYS and [one.name for one in before] == [one.name for one in after]:
            continue
        if isinstance(before, BaseModel) and isinstance(after, BaseModel):
            yield from _differing(before, after, f"{path}.")
        else:
            yield path
