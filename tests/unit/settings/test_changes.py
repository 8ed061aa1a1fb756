"""What can change while the daemon runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from pagereeve.ports.line_settings import RelaySettings
from pagereeve.settings import GatewaySettings, HostPort, HttpSettings, LimitSettings, PrinterSettings, Settings
from pagereeve.settings.changes import CHANGEABLE, RELAYED, fixed_changes, relays_to_restart

PRINTER = PrinterSettings(name="p", host="192.0.2.1")
GATEWAYS = (GatewaySettings(name="east"), GatewaySettings(name="hall"))
RELAY = RelaySettings(
    name="desk", gateway="hall", listen=HostPort("127.0.0.1", 9130), forward_to=HostPort("192.0.2.9", 9131)
)


def test_printers_and_token_files_may_change() -> None:
    wanted = Settings(printers=(PRINTER,), http=HttpSettings(token_files=(Path("token"),)))
    assert fixed_changes(Settings(), wanted) == []


def test_each_setting_that_must_not_is_named() -> None:
    wanted = Settings(
        data_dir=Path("/srv/elsewhere"),
        http=HttpSettings(listen=HostPort("127.0.0.1", 1), token_files=(Path("token"),)),
        printers=(PRINTER,),
        limits=LimitSettings(requests_max=7),
    )
    assert fixed_changes(Settings(), wanted) == ["data_dir", "http.listen", "limits.requests_max"]


@pytest.mark.parametrize(
    ("change", "fixed", "restart"),
    [
        ({"gateway": "east", "reader": "left", "prefix": "<", "suffix": ">", "encoding": "latin-1"}, [], []),
        # Where a line ends is the relay's: between CR and LF nothing is told apart now.
        ({"encoding": "hex"}, [], ["desk"]),
        ({"prefix": "\r"}, [], ["desk"]),
        ({"line_max_bytes": 64}, [], ["desk"]),
        ({"forward_to": HostPort("192.0.2.8", 9131)}, [], ["desk"]),
        ({"name": "hall"}, ["relays"], ["hall"]),
    ],
)
def test_of_a_relay_the_daemon_takes_over_what_it_goes_by(
    change: dict[str, Any], fixed: list[str], restart: list[str]
) -> None:
    running = Settings(relays=(RELAY,), gateways=GATEWAYS)
    wanted = Settings(relays=(RELAY.model_copy(update=change),), gateways=GATEWAYS)
    assert fixed_changes(running, wanted) == fixed
    assert relays_to_restart(running, wanted) == restart


def test_a_relay_more_or_less_needs_a_restart() -> None:
    assert fixed_changes(Settings(relays=(RELAY,), gateways=GATEWAYS), Settings()) == ["relays"]
    assert set(RelaySettings.model_fields) > RELAYED


@pytest.mark.parametrize("path", sorted(CHANGEABLE))
def test_what_can_change_is_a_setting(path: str) -> None:
    table: type[BaseModel] = Settings
    *tables, last = path.split(".")
    for name in tables:
        kind = table.model_fields[name].annotation
        assert isinstance(kind, type)
        assert issubclass(kind, BaseModel)
        table = kind
    assert last in table.model_fields
