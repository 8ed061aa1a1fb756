"""The schema of the settings file: it accepts what ships, refuses what it can of bad files, and describes all."""

from __future__ import annotations

import tomllib
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pagereeve.settings import BadSettings, load_settings
from pagereeve.settings.schema.example_words import example_words
from pagereeve.settings.schema.of_settings import settings_schema
from pagereeve.settings.schema.rules import CONDITIONS, UNSAID
from tests.unit.contrib.test_example import CONTRIB, EXAMPLE, assignments

SCHEMA = settings_schema(EXAMPLE.read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)
PRINTER = '[[printers]]\nname = "p"\nhost = "h"\n'
MAIL = '[[alerts.mails]]\nname = "m"\nserver = "h:25"\nsender = "a@h"\nrecipients = ["b@h"]\n'
SYSLOG = '[[alerts.syslogs]]\nname = "s"\nserver = "h:514"\n'


def as_json(value: Any) -> Any:
    """As an editor hands a TOML value to a schema: dates and times as their texts."""
    if isinstance(value, dict):
        return {name: as_json(one) for name, one in value.items()}
    if isinstance(value, list):
        return [as_json(one) for one in value]
    return value.isoformat() if isinstance(value, date | time) else value


def refusals(text: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(as_json(tomllib.loads(text)))]


def test_it_is_a_schema_of_the_draft_that_it_names() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("file", ["example.toml", "compose/pagereeve.toml"])
def test_the_settings_that_ship_are_in_the_schema(file: str) -> None:
    assert refusals((CONTRIB / file).read_text(encoding="utf-8")) == []


def test_every_value_that_the_example_shows_is_in_the_schema() -> None:
    """Each alone, those that are commented out too."""
    checked = 0
    for table, name, value in assignments():
        if name == "prices":
            continue
        schema = property_at([*filter(None, table.split(".")), name])
        found = as_json(tomllib.loads(f"value = {value}")["value"])
        validator = Draft202012Validator({**schema, "$defs": SCHEMA["$defs"]})
        assert [error.message for error in validator.iter_errors(found)] == [], f"[{table}] {name}"
        checked += 1
    assert checked > 200


def property_at(steps: list[str]) -> dict[str, Any]:
    schema: dict[str, Any] = SCHEMA
    for step in steps:
        inner = schema.get("items", schema)
        schema = SCHEMA["$defs"].get(inner.get("$ref", "").rpartition("/")[2], inner)["properties"][step]
    return schema


def test_every_setting_is_described() -> None:
    tables = {"": SCHEMA, **{name: one for name, one in SCHEMA["$defs"].items() if "properties" in one}}
    bare = [
        (table, name)
        for table, schema in tables.items()
        for name, setting in schema["properties"].items()
        if not setting.get("description")
    ]
    assert bare == []


def test_a_description_is_the_comment_of_the_example() -> None:
    assert property_at(["log", "level"])["description"] == '"debug", "info", "warning" or "error".'
    assert "what was done at a printer" in property_at(["http", "credentials", "acts"])["description"]
    assert property_at(["watch", "baseline"])["description"].endswith("A duration of 1s to 1d, or as many seconds.")


def test_a_comment_is_about_the_settings_under_it_up_to_the_next_one() -> None:
    above = "# Of it all.\n[a]\n# Two\n# lines.\n#one = 1\n#two = 2\n"
    words = example_words(f"{above}# Three.\n#   x   a member\n#        goes on\n#three = {{}}\n\n#four = 4\n")
    assert words.tables == {"a": "Of it all."}
    assert words.settings == {
        ("a", "one"): "Two lines.",
        ("a", "two"): "Two lines.",
        ("a", "three"): "Three.",
        ("a", "four"): "",
    }
    assert words.members == {("a.three", "x"): "a member goes on"}


def test_rules_are_of_tables_that_there_are() -> None:
    assert {*CONDITIONS, *UNSAID} - set(SCHEMA["$defs"]) == set()


BAD = [
    "htp = 3",
    "printers = 3",
    "printers = [3]",
    "http = []",
    "feeds = {lines = {}}",
    "feeds = 1",
    '[http]\nlisten = "127.0.0.1"',
    "[http]\nbatch_max = true",
    "[http]\nbatch_max = 0",
    '[http]\nsleeper_backoff_max = "1h"',
    '[http]\nkey_file = "k"',
    '[http]\nclient_ca_file = "c"',
    '[[http.clients]]\nname = "n"\nacts = ["send"]',
    '[[http.credentials]]\nname = "n"\nacts = []',
    '[[http.credentials]]\nname = "n"\nacts = ["send"]\ntypes = ["x"]',
    '[[http.credentials]]\nname = "n"\nacts = ["send"]\nexpires = 2028-01-01T00:00:00',
    '[log]\nlevel = "loud"',
    '[policy]\nsettle = "2 parsecs"',
    "[policy]\nsettle = 3600",
    "[policy]\nseparator_sheets = 7",
    '[policy]\nseparator_sheets = "none"',
    '[policy]\nticket = { copies = "many" }',
    '[[printers]]\nname = "north 1"\nhost = "h"',
    '[[printers]]\nname = "n"\nadress = "h"',
    f'{PRINTER}policy = {{ chargin = "none" }}',
    f'{PRINTER}policy = {{ charging = "all" }}',
    f'{PRINTER}unit_grade = "inferred-from-model"',
    f'{PRINTER}community = "a"\ncommunity_env = "E"',
    f'{PRINTER}community_file = "a"\ncommunity_env = "E"',
    f'{PRINTER}version = "3"',
    f'{PRINTER}auth = "sha"\nauth_password_env = "E"',
    f'{PRINTER}user = "u"\nauth = "sha"',
    f'{PRINTER}user = "u"\npriv = "aes"\npriv_password_env = "E"',
    f'{PRINTER}user = "u"\nauth = "md5"\nauth_password_env = "E"',
    f'{PRINTER}user = "u"\nauth = "sha"\nauth_password_env = "E"\nauth_password_file = "f"',
    f'{PRINTER}context = "c"',
    f"{PRINTER}ipp_tls = true",
    f'{PRINTER}meter = "ipp"',
    f'{PRINTER}ipp_port = 631\nipp_ca_file = "f"',
    f"{PRINTER}port = 0",
    f'{PRINTER}object_id = "x"',
    f'{PRINTER}text = "a\\u202eb"',
    '[[gateways]]\nname = "g"\nkind = "snmp"',
    '[[gateways]]\nname = "g"\ncheck = "h:22"\ncommunity_file = "f"',
    '[[gateways]]\nname = "g"\nform = { width_bits = 32 }',
    '[[gateways]]\nname = "g"\nform = { encoding = "decimal" }',
    '[[gateways]]\nname = "g"\nform = { encoding = "bits", parity = "wiegand", check_byte = "xor" }',
    '[[gateways]]\nname = "g"\nform = { encoding = "facility-card", width_bits = 32 }',
    '[[gateways]]\nname = "g"\nform = { encoding = "hex", byte_order = "least-first", width_bits = 35 }',
    '[[gateways]]\nname = "g"\n[[feeds.lines]]\nname = "a"\nlisten = "h:1"\ngateway = "g"\ntee = "h:2"',
    f'{MAIL}user = "u"',
    f'{MAIL}user = "u"\npassword_file = "f"',
    f'{MAIL}tls = "none"\nca_file = "f"',
    f'{SYSLOG}ca_file = "f"',
    '[[alerts.webhooks]]\nname = "w"\nurl = "https://u:p@h/"\nsecret_file = "f"',
    "[[alerts.quiet]]\nbegins = 2026-12-23T18:00:00\nends = 2027-01-04T07:00:00",
    '[[periods]]\nname = "p"\nfrom = "2026-13-01"\nto = "2027-01-01"',
    '[[rates]]\nname = "r"\ncurrency = "EURO"\nfrom = "2026-01-01"\nprices = [{ price = "1" }]',
    '[[rates]]\nname = "r"\ncurrency = "EUR"\nfrom = "2026-01-01"\nprices = []',
    '[[rates]]\nname = "r"\ncurrency = "EUR"\nfrom = "2026-01-01"\nprices = [{ price = 0.025 }]',
]


@pytest.mark.parametrize("text", BAD)
def test_a_bad_file_is_refused_by_the_schema_as_by_the_daemon(tmp_path: Path, text: str) -> None:
    assert _is_refused(tmp_path, text)
    assert refusals(text) != []


UNSAYABLE = [
    '[policy]\nsettle = "1h"',
    '[site]\nzone = "Nowhere"',
    "[policy]\ntolerance_share = 0.0005",
    '[watch]\npoll_first = "1m"\npoll_longest = "1s"',
    f'{PRINTER}gateway = "none"',
    f"{PRINTER}{PRINTER}",
    '[[gateways]]\nname = "g"\nform = { encoding = "hex", parity = "wiegand-26", width_bits = 32 }',
]


@pytest.mark.parametrize("text", UNSAYABLE)
def test_what_no_schema_can_say_is_the_daemons_alone(tmp_path: Path, text: str) -> None:
    assert _is_refused(tmp_path, text)
    assert refusals(text) == []


def _is_refused(folder: Path, text: str) -> bool:
    path = folder / "pagereeve.toml"
    path.write_text(text, encoding="utf-8")
    try:
        load_settings(path, {})
    except BadSettings:
        return True
    return False
