"""The example settings and the systemd unit that are shipped in contrib/."""

from __future__ import annotations

import re
import tomllib
from configparser import RawConfigParser
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from pagereeve.settings import (
    BadgeFormSettings,
    BadgeSettings,
    LineFeedSettings,
    PolicyOverrides,
    Settings,
    load_settings,
)
from pagereeve.settings.rates import PriceSettings
from pagereeve.settings.tickets import TicketSettings

CONTRIB = Path(__file__).parents[3] / "contrib"
EXAMPLE = CONTRIB / "example.toml"
HEAD = re.compile(r"#?\[{1,2}([a-z.]+)\]{1,2}")
NEEDED = {
    "name": "x",
    "source": "s",
    "host": "h",
    "listen": "h:1",
    "gateway": "g",
    "form": {},
    "begins": "2026-12-23T18:00:00Z",
    "ends": "2027-01-04T07:00:00Z",
    "forward_to": "h:2",
    "url": "http://h",
    "secret_file": "f",
    "server": "h:1",
    "sender": "a@b",
    "recipients": ["a@b"],
    "acts": ["send"],
    "from": "2026-09-07",
    "to": "2026-12-19",
    "currency": "EUR",
    "prices": [{"price": "0.025"}],
    "issuer": "https://h",
    "client_id": "c",
    "client_secret_file": "f",
    "public_address": "https://h",
    "site": "s",
    "token_file": "f",
}
OF_TABLE: dict[str, dict[str, Any]] = {
    "publish": {"url": "nats://h:4222"},
    "collect": {"url": "tls://h:4222", "sites": ["x"]},
}
# Written in one line, wherever they stand; their members are explained once.
INLINE = (PolicyOverrides, BadgeFormSettings, TicketSettings, PriceSettings)
ASSIGNMENT = re.compile(r"#?([a-z_]+) = (.*)")


def assignments() -> list[tuple[str, str, str]]:
    """Table, name and value of every setting in the example, commented out or not."""
    table, found = "", []
    for line in EXAMPLE.read_text(encoding="utf-8").splitlines():
        if head := HEAD.fullmatch(line):
            table = head[1]
        elif match := ASSIGNMENT.fullmatch(line):
            found.append((table, match[1], match[2]))
    return found


def table_models(model: type[BaseModel], place: str = "") -> dict[str, type[BaseModel]]:
    """Every table of the settings file and its model, but for those written in one line."""
    found = {place: model}
    for name, field in model.model_fields.items():
        kind: Any = field.annotation
        inner = (get_args(kind) or (kind,))[0]
        if isinstance(inner, type) and issubclass(inner, BaseModel) and inner not in INLINE:
            found |= table_models(inner, f"{place}.{name}".strip("."))
    return found


def words_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """As a file writes them."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def test_the_example_loads_with_every_uncommented_line_and_defaults_otherwise() -> None:
    settings = load_settings(EXAMPLE, {})
    assert [printer.name for printer in settings.printers] == ["library-1"]
    assert [gateway.name for gateway in settings.gateways] == ["library-gw"]
    assert settings.feeds.lines == (
        LineFeedSettings.model_validate(
            {"name": "library-badges", "listen": "127.0.0.1:9130", "gateway": "library-gw"}
        ),
    )
    assert settings.model_copy(update={"printers": (), "gateways": (), "feeds": Settings().feeds}) == Settings()


def test_every_setting_occurs_in_its_table_of_the_example() -> None:
    shown = {(table, name) for table, name, _ in assignments()}
    tables = table_models(Settings)
    assert len(tables) > 12
    wanted = {
        (place, name)
        for place, model in tables.items()
        for name in words_of(model)
        if f"{place}.{name}".strip(".") not in tables
    }
    assert wanted - shown == set()
    assert shown - wanted == set()


def test_every_member_of_a_badge_form_is_explained() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert [name for name in BadgeFormSettings.model_fields if f"#   {name} " not in text] == []


def test_every_member_of_a_price_is_shown() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert [name for name in PriceSettings.model_fields if f" {name} = " not in text] == []


def test_the_defaults_that_the_example_shows_are_the_defaults() -> None:
    checked = 0
    for place, model in table_models(Settings).items():
        needed: dict[str, Any] = {**NEEDED, **OF_TABLE.get(place, {})}
        required = {name: needed[name] for name, field in words_of(model).items() if field.is_required()}
        built = model.model_validate(required)
        for name, field in words_of(model).items():
            values = [value for table, shown, value in assignments() if (table, shown) == (place, name)]
            if field.is_required() or field.default is None or not values:
                continue
            given = model.model_validate({**required, name: tomllib.loads(f"value = {values[-1]}")["value"]})
            assert getattr(given, name) == getattr(built, name), f"[{place}] {name}"
            checked += 1
    assert checked > 45


def test_every_setting_of_the_example_has_words_near_it() -> None:
    lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if ASSIGNMENT.fullmatch(line) and not line.startswith("#name"):
            before = [near for near in lines[max(0, number - 4) : number] if near.startswith("# ")]
            assert before or ASSIGNMENT.fullmatch(lines[number - 1]) or HEAD.fullmatch(lines[number - 1]), line


def unit_of(name: str) -> RawConfigParser:
    parser = RawConfigParser(strict=False, delimiters=("=",), comment_prefixes=("#",))
    # Names of unit settings are written in mixed case.
    parser.optionxform = str  # type: ignore[method-assign,assignment]
    parser.read(CONTRIB / name, encoding="utf-8")
    return parser


@pytest.fixture(scope="module")
def unit() -> RawConfigParser:
    return unit_of("pagereeve.service")


@pytest.fixture(scope="module")
def relay_unit() -> RawConfigParser:
    return unit_of("pagereeve-relay.service")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("Type", "notify"),
        ("NotifyAccess", "main"),
        ("WatchdogSec", "30s"),
        ("DynamicUser", "yes"),
        ("StateDirectory", "pagereeve"),
        ("NoNewPrivileges", "yes"),
        ("ProtectSystem", "strict"),
        ("CapabilityBoundingSet", ""),
        ("AmbientCapabilities", ""),
        ("Restart", "on-failure"),
    ],
)
def test_the_service_gives_the_daemon_no_more_than_it_needs(unit: RawConfigParser, name: str, value: str) -> None:
    assert unit["Service"][name] == value


def test_the_service_starts_after_the_clock_was_set(unit: RawConfigParser) -> None:
    """systemd.special(7), time-sync.target."""
    assert "time-sync.target" in unit["Unit"]["After"].split()


def test_the_service_may_ask_the_kernel_for_the_clocks_state_and_can_not_set_it() -> None:
    """adjtimex(2): modes 0 needs no privilege, anything else CAP_SYS_TIME. Later filters of systemd.exec(5) add."""
    lines = (CONTRIB / "pagereeve.service").read_text(encoding="utf-8").splitlines()
    filters = [line for line in lines if line.startswith("SystemCallFilter=")]
    assert filters[-1] == "SystemCallFilter=adjtimex clock_adjtime"
    assert "CapabilityBoundingSet=" in lines
    assert not [line for line in lines if line.startswith("ProtectClock=y")]


def test_the_service_keeps_its_data_where_the_settings_look(unit: RawConfigParser) -> None:
    assert Settings().data_dir == Path("/var/lib") / unit["Service"]["StateDirectory"]
    assert BadgeSettings().key_file is None


def test_the_service_waits_longer_for_a_stop_than_the_daemon_takes(unit: RawConfigParser) -> None:
    assert float(unit["Service"]["TimeoutStopSec"].removesuffix("s")) > Settings().limits.stop_within.seconds


BINDS = {"Requires", "Requisite", "BindsTo", "PartOf", "Upholds", "Conflicts", "PropagatesStopTo", "JoinsNamespaceOf"}


@pytest.mark.parametrize("one", ["pagereeve.service", "pagereeve-relay.service"])
def test_neither_service_stops_or_waits_for_the_other(one: str) -> None:
    found = unit_of(one)["Unit"]
    assert not BINDS & set(found)
    assert not [value for value in found.values() if value is not None and ".service" in value]


def test_the_relay_has_the_daemons_user_and_folder_and_leaves_nothing_on_a_disk(
    unit: RawConfigParser, relay_unit: RawConfigParser
) -> None:
    daemon, relay = unit["Service"], relay_unit["Service"]
    for name in ("User", "DynamicUser", "StateDirectory", "StateDirectoryMode"):
        assert relay[name] == daemon[name]
    assert (relay["Restart"], relay_unit["Unit"]["StartLimitIntervalSec"]) == ("always", "0")
    assert (relay["MemorySwapMax"], relay["LimitCORE"]) == ("0", "0")
    assert relay["ExecStart"].split()[1:] == ["relay", *daemon["ExecStart"].split()[2:]]
