"""The kinds of value that settings are made of, whoever's they are: durations, addresses, names, shares."""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, Self
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    StringConstraints,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from pagereeve.domain.values.instants import DATE_PATTERN, TIME_PATTERN
from pagereeve.domain.values.plain_text import REFUSED, plain_schema, refused_character

UNITS_US: Final = {"ms": 1_000, "s": 1_000_000, "m": 60_000_000, "h": 3_600_000_000, "d": 86_400_000_000}
_DURATION: Final = re.compile(r"\s*(\d{1,12}(?:\.\d{1,6})?)\s*(ms|s|m|h|d)\s*", re.ASCII)
_LONGEST_US: Final = 3650 * UNITS_US["d"]
# As text may write it, and in ECMA-262's words for schemas.
_DURATION_TEXT: Final = r"^ *[0-9]{1,12}(\.[0-9]{1,6})? *(ms|s|m|h|d) *$|^[0-9]{1,9}(\.[0-9]{1,6})?$"
_HOST: Final = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,251}[A-Za-z0-9])?\.?", re.ASCII)
NAME_MAX: Final = 64
NAME_PATTERN: Final = re.compile(rf"[A-Za-z0-9_-][A-Za-z0-9._-]{{0,{NAME_MAX - 1}}}", re.ASCII)
URL_MAX: Final = 2_048
MAIL_MAX: Final = 254  # RFC 5321 section 4.5.3.1.3, without the brackets
_LOCAL_PART: Final = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*", re.ASCII)
_URL: Final = re.compile(r"[\x21-\x7e]+", re.ASCII)
# No "#" anywhere, and no "@" in the authority (RFC 3986 section 3.2).
_URL_TEXT: Final = r"^[Hh][Tt][Tt][Pp][Ss]?://[\x21\x22\x24-\x2e\x30-\x3e\x41-\x7e]+([/?][\x21\x22\x24-\x7e]*)?$"
_BRACKETED: Final = re.compile(r"\[([^\[\]]*)\]:(\d{1,5})", re.ASCII)
_PLAIN: Final = re.compile(r"([^:]*):(\d{1,5})", re.ASCII)
_IPV6: Final = r"[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*(%[A-Za-z0-9._-]+)?"
_MAIL_TEXT: Final = rf"^{_LOCAL_PART.pattern}@({_HOST.pattern}|{_IPV6})$"


class Section(BaseModel):
    """A table of the settings file: fixed once built, and nothing in it that isn't known."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True, validate_default=True)


@dataclass(frozen=True, slots=True)
class Checked:
    """A check of what pydantic has read, and what a JSON Schema says of it beside the value's type.

    ``check`` raises ValueError, which says what to write instead.
    """

    check: Callable[[Any], Any]
    schema: Mapping[str, Any] = field(hash=False)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self.check, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {**handler(schema), **self.schema}


@dataclass(frozen=True, slots=True)
class OrUnknown:
    """For schemas: the text "unknown" may stand in the place of the value."""

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return {"anyOf": [handler(schema), {"const": "unknown"}]}


@dataclass(frozen=True, slots=True, order=True)
class Duration:
    """A stretch of time in whole microseconds; written ``250ms``, ``2s``, ``5m``, ``1.5h``, ``1d`` or as seconds."""

    us: int

    @property
    def seconds(self) -> float:
        return self.us / UNITS_US["s"]

    @classmethod
    def of(cls, value: object) -> Duration:
        """Raises ValueError, which says what to write instead."""
        if isinstance(value, Duration):
            return value
        us = _micros(value)
        if us is None:
            raise ValueError(f'{_shown(value)} is no duration; write "250ms", "2s", "5m", "1h", or a number of seconds')
        if us > _LONGEST_US:
            raise ValueError(f"{_shown(value)} is longer than ten years")
        return cls(us)

    def __str__(self) -> str:
        """The shortest text that ``of`` reads back as the same duration."""
        if self.us == 0:
            return "0s"
        for unit, size_us in reversed(UNITS_US.items()):
            if self.us % size_us == 0:
                return f"{self.us // size_us}{unit}"
        return f"{self.us / 1_000:.3f}".rstrip("0") + "ms"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls.of, serialization=core_schema.to_string_ser_schema(when_used="json")
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema, handler
        return {"type": ["string", "number"], "pattern": _DURATION_TEXT, "minimum": 0}


def _micros(value: object) -> int | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value * UNITS_US["s"] if value >= 0 else None
    if isinstance(value, float):
        return round(min(value, 1e12) * UNITS_US["s"]) if math.isfinite(value) and value >= 0 else None
    if isinstance(value, str):
        match = _DURATION.fullmatch(value)
        if match is not None:
            return round(float(match[1]) * UNITS_US[match[2]])
        # From the environment a number arrives as text.
        return round(float(value) * UNITS_US["s"]) if re.fullmatch(r"\d{1,9}(\.\d{1,6})?", value, re.ASCII) else None
    return None


def _shown(value: object) -> str:
    return repr(value)[:40]


@dataclass(frozen=True, slots=True)
class DurationRange:
    """A bound for a Duration field, both ends allowed."""

    least: str
    most: str

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._bounded, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Of a text no schema can say how long it is: that stands in the description."""
        least, most = (Duration.of(text).seconds for text in (self.least, self.most))
        said = f"A duration of {self.least} to {self.most}, or as many seconds."
        return {**handler(schema), "minimum": least, "maximum": most, "description": said}

    def _bounded(self, value: Duration) -> Duration:
        if not Duration.of(self.least) <= value <= Duration.of(self.most):
            raise ValueError(f"{value} is out of bounds; {self.least} to {self.most} is allowed")
        return value


@dataclass(frozen=True, slots=True)
class HostPort:
    """A host and a port, written ``host:port``; an IPv6 address is in brackets: ``[::1]:8731``."""

    host: str
    port: int

    @classmethod
    def of(cls, value: object) -> Self:
        """Raises ValueError, which says what to write instead."""
        if isinstance(value, cls):
            return value
        match = (_BRACKETED.fullmatch(value) or _PLAIN.fullmatch(value)) if isinstance(value, str) else None
        if match is None:
            raise ValueError(f'{_shown(value)} is no address; write "host:port", or "[::1]:port" for IPv6')
        if int(match[2]) > 65_535:
            raise ValueError(f"port {match[2]} is beyond 65535")
        return cls(host_of(match[1]), int(match[2]))

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls.of, serialization=core_schema.to_string_ser_schema(when_used="json")
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema, handler
        return {"type": "string", "pattern": rf"^({_HOST.pattern}|\[{_IPV6}\]):[0-9]{{1,5}}$"}


def host_of(text: str) -> str:
    """A DNS name or an IP address (IPv6 without brackets), as written. Raises ValueError."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        if _HOST.fullmatch(text) is None or re.fullmatch(r"[\d.]+", text, re.ASCII):
            raise ValueError(f"{_shown(text)} is no host; write a name or an IP address, without a port") from None
    return text


def _reachable(address: HostPort) -> HostPort:
    if address.port == 0:
        raise ValueError("port 0 can be listened on, but not be connected to; name the port")
    return address


def _named(text: str) -> str:
    if NAME_PATTERN.fullmatch(text) is None:
        raise ValueError(f"{_shown(text)} is no name; {NAME_MAX} letters, digits, '.', '_', '-' at most, no '.' first")
    return text


def _plain(text: str) -> str:
    found = refused_character(text)
    if found:
        raise ValueError(f"holds the control character {found}; write plain text")
    return text


def _web_address(text: str) -> str:
    """Errors quote nothing of it: a path or query may hold a secret."""
    if len(text) > URL_MAX or _URL.fullmatch(text) is None:
        raise ValueError(f'is no URL; write "https://host/path", {URL_MAX} printable ASCII characters at most')
    try:
        parts = urlsplit(text)
        named = parts.scheme in {"http", "https"} and parts.port != 0 and bool(host_of(parts.hostname or ""))
    except ValueError:
        named = False
    if not named:
        raise ValueError('is no URL of http or https with a host; write "https://host/path"')
    if parts.username is not None or "#" in text:
        raise ValueError('holds a user, a password or a "#"; a secret belongs into a file of its own')
    return text


def _mail_address(text: str) -> str:
    local, _, domain = text.rpartition("@")
    if len(text) > MAIL_MAX or _LOCAL_PART.fullmatch(local) is None:
        raise ValueError(
            f"{text[:64]!r} is no e-mail address; write pages@college.example, in ASCII and without a name"
        )
    host_of(domain)
    return text


def _not_a_truth(value: object) -> object:
    if isinstance(value, bool):
        raise ValueError(f"{str(value).lower()} is no number; write a whole number")  # noqa: TRY004 - pydantic wants it
    return value


OFFSET_TIME: Final = {"type": "string", "format": "date-time", "pattern": f"^{DATE_PATTERN}[Tt ]{TIME_PATTERN}$"}
"""As schemas have a date and time with its offset, which TOML writes without quotes."""
Host = Annotated[str, Checked(host_of, {"pattern": f"^({_HOST.pattern}|{_IPV6})$"})]
Target = Annotated[HostPort, AfterValidator(_reachable)]
Name = Annotated[str, Checked(_named, {"pattern": f"^{NAME_PATTERN.pattern}$"})]
Plain = Checked(_plain, {"not": plain_schema(REFUSED)["not"]})
Text = Annotated[str, StringConstraints(max_length=1_000), Plain]
Share = Annotated[float, BeforeValidator(_not_a_truth), Field(ge=0, le=1, allow_inf_nan=False)]
Whole = Annotated[int, BeforeValidator(_not_a_truth)]
Port = Annotated[Whole, Field(ge=1, le=65_535)]
Url = Annotated[str, Checked(_web_address, {"pattern": _URL_TEXT, "maxLength": URL_MAX})]
MailAddress = Annotated[str, Checked(_mail_address, {"pattern": _MAIL_TEXT, "maxLength": MAIL_MAX})]
