"""What must fit between settings of one table, as far as JSON Schema can say it, and in words where it can't.

Each stands beside a check of the model of that name, or of tables together; tests hold one against the other.
"""

from __future__ import annotations

from itertools import combinations
from typing import Any, Final

Condition = dict[str, Any]


def _given(*names: str) -> Condition:
    return {"required": list(names)}


def _is(name: str, *values: Any) -> Condition:
    """It is written, and as one of these."""
    return {"required": [name], "properties": {name: {"enum": list(values)}}}


def _if(first: Condition, *then: Condition) -> Condition:
    return {"if": first, "then": {"allOf": list(then)}}


def _never(*together: Condition) -> Condition:
    return {"not": {"allOf": list(together)}}


def _both(one: str, other: str) -> Condition:
    return {"dependentRequired": {one: [other], other: [one]}}


def _named(name: str) -> Condition:
    """It is written, and not empty."""
    return {"required": [name], "properties": {name: {"type": "string", "minLength": 1}}}


_PASSWORDS: Final = tuple(
    condition
    for what in ("auth", "priv")
    for condition in (
        _never(_given(f"{what}_password_file", f"{what}_password_env")),
        {"dependentRequired": {f"{what}_password_file": [what], f"{what}_password_env": [what]}},
        _if(_given(what), {"anyOf": [_given(f"{what}_password_file"), _given(f"{what}_password_env")]}),
    )
)
_COMMUNITIES: Final = ("community", "community_file", "community_env")
_PRINTER: Final = (
    *(_never(_given(one, two)) for one, two in zip(_COMMUNITIES, (*_COMMUNITIES[1:], _COMMUNITIES[0]), strict=True)),
    _if(_is("unit_grade", "inferred-from-model"), _given("unit")),
    _if(_is("version", "3"), _given("user")),
    {"dependentRequired": {"auth": ["user"], "priv": ["user", "auth"]}},
    _if(_named("context"), _given("user")),
    *_PASSWORDS,
    _if({"anyOf": [_is("auth", "md5"), _is("priv", "des")]}, _is("allow_weak", True)),  # noqa: FBT003 - a value of TOML
    _if({"anyOf": [_is("ipp_tls", True), _is("meter", "ipp")]}, _given("ipp_port")),  # noqa: FBT003 - a value of TOML
    _if(
        {"anyOf": [_given("ipp_fingerprint"), _given("ipp_ca_file")]},
        _is("ipp_tls", True),  # noqa: FBT003 - a value of TOML
    ),
    _never(_given("ipp_fingerprint", "ipp_ca_file")),
)
_FRAMES: Final = {"required": ["parity"], "properties": {"parity": {"not": {"const": "none"}}}}
_TEXT_ALONE: Final = {
    "anyOf": [
        {"required": ["encoding"], "properties": {"encoding": {"not": {"const": "text"}}}},
        {"properties": {"encoding": True}, "additionalProperties": False},
    ]
}

_BROKER: Final = (
    _if(_named("user"), _given("password_file")),
    _if(_given("password_file"), _named("user")),
    *(_never(_given(one, two)) for one, two in combinations(("password_file", "nkey_file", "creds_file"), 2)),
    _if(_given("ca_file"), {"required": ["url"], "properties": {"url": {"pattern": "^tls:"}}}),
)

CONDITIONS: Final[dict[str, tuple[Condition, ...]]] = {
    "BadgeFormSettings": (
        _TEXT_ALONE,
        _if(_is("encoding", "decimal"), _given("width_bits")),
        _if(_is("encoding", "facility-card", "decimal-bytes"), {"not": _FRAMES}),
        _never(_is("encoding", "facility-card"), _is("check_byte", "xor")),
        _never(_FRAMES, _is("check_byte", "xor")),
        _if(_is("encoding", "facility-card"), {"properties": {"width_bits": {"const": 24}}}),
        _if(_is("byte_order", "least-first"), {"properties": {"width_bits": {"multipleOf": 8}}}),
    ),
    "GatewaySettings": (
        _if({"anyOf": [_given("community_file"), _is("kind", "snmp")]}, _given("check")),
        _if(_given("community_file"), _is("kind", "snmp")),
    ),
    "PrinterSettings": _PRINTER,
    "HttpSettings": (
        _both("certificate_file", "key_file"),
        {"dependentRequired": {"client_ca_file": ["certificate_file"]}},
        _if(
            {"required": ["clients"], "properties": {"clients": {"minItems": 1}}},
            _given("client_ca_file"),
        ),
    ),
    "ConsoleSettings": (
        _if(
            _given("trusted_user_header"),
            {"required": ["trusted_proxies"], "properties": {"trusted_proxies": {"minItems": 1}}},
        ),
    ),
    "MailSettings": (
        _if(_named("user"), _given("password_file"), _is("tls", "require", "implicit")),
        _if(_given("password_file"), _named("user")),
        _never(_given("ca_file"), _is("tls", "none")),
    ),
    "SyslogSettings": (_if(_given("ca_file"), _is("transport", "tls")),),
    "PublishSettings": _BROKER,
    "CollectSettings": _BROKER,
    "JournalSettings": (
        {"dependentRequired": {"password_file": ["url"]}},
        _if(_is("shared", True), _given("url")),  # noqa: FBT003 - a value of TOML
    ),
}
"""By the name of the model."""

UNSAID: Final[dict[str, str]] = {
    "BadgeFormSettings": "width_bits must be one that the frames of its parity hold.",
    "WatchSettings": "poll_first is not longer than poll_longest, nor baseline than sleeper_backoff_max.",
    "PolicySettings": "tolerance_share has three digits after the point at most.",
    "PolicyOverrides": "tolerance_share has three digits after the point at most.",
    "HttpSettings": "The names of clients differ, without regard to case.",
    "ConsoleSettings": "trusted_user_header is none that HTTP, browsers or this daemon use for something else.",
    "OidcSettings": "issuer has https, or is this machine and has no query; public_address likewise, without a path.",
    "MailSettings": "No recipient is named twice.",
    "CollectSettings": "No site is named twice.",
    "JournalSettings": "url names a database of PostgreSQL, and holds no password.",
    "QuietSettings": "ends is after begins, and both have their offset from UTC.",
    "PeriodSettings": "from is before to, and no name is that of a month, a quarter or another period of the calendar.",
    "RateSettings": "until comes after from, and of two prices for the same pages one has more conditions.",
}
"""By the name of the model: what neither its type nor CONDITIONS say."""

WHOLE: Final = (
    "The settings file, in TOML: dates and times count as texts here. What this schema refuses is no sound setting, "
    "but for numbers, truths and dates that are written otherwise, which the daemon reads too. What it accepts may "
    "still be refused, since no schema can say it: names are unique; what names a printer, a gateway or another table "
    "names one that there is; a text that is a duration lies in its bounds; time zones are known; what an included "
    "file holds. `pagereeve check-config FILE` says all of that."
)
