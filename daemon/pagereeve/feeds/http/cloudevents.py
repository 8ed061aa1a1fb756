"""CloudEvents 1.0 over HTTP: binary, structured and batch mode (CloudEvents HTTP protocol binding 1.0.2, section 3)."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterable
from typing import Any, Final, Literal
from urllib.parse import unquote_to_bytes

from pagereeve.domain.values.fields import type_name
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.feeds.http import strict_json as strictjson
from pagereeve.feeds.refusals import BadItem, Refusal
from pagereeve.ports.intake import Envelope

Mode = Literal["binary", "structured", "batch"]

ATTRIBUTE_MAX: Final = 1024
TIME_MAX: Final = 64
BATCH_MAX: Final = 1000

_STRUCTURED: Final = "application/cloudevents+json"
_BATCH: Final = "application/cloudevents-batch+json"
_NAME: Final = re.compile(r"[a-z0-9]{1,64}")
_STRAY_PERCENT: Final = re.compile(r"%(?![0-9A-Fa-f]{2})")
INTEGER_MAX: Final = 2**31


def mode_of(content_type: str | None, *, has_attributes: bool) -> Mode:
    """Decided by the Content-Type's beginning (binding, section 3). Raises Refusal (``wrong-media-type``)."""
    media = _media_type(content_type, "Content-Type")
    if media == _BATCH:
        return "batch"
    if media == _STRUCTURED:
        return "structured"
    if media.startswith("application/cloudevents"):
        raise Refusal("wrong-media-type", "Content-Type", f"send {_STRUCTURED} or {_BATCH}")
    if not has_attributes:
        hint = f"send {_STRUCTURED}, {_BATCH}, or application/json with ce-* headers"
        raise Refusal("wrong-media-type", "Content-Type", f"no CloudEvent: {hint}")
    if not _is_json(media):
        raise Refusal("wrong-media-type", "Content-Type", "data other than JSON is not served; send application/json")
    return "binary"


def _media_type(content_type: str | None, where: str) -> str:
    media, *parameters = (content_type or "application/json").split(";")
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "charset" and value.strip().strip('"').lower() not in {"utf-8", "utf8", "us-ascii"}:
            raise Refusal("wrong-media-type", where, "charset is not UTF-8; send UTF-8")
    return media.strip().lower()


def _is_json(media: str) -> bool:
    return media in {"application/json", "text/json"} or media.endswith("+json")


def read_binary(headers: Iterable[tuple[str, str]], body: bytes) -> Envelope:
    """``headers`` are the ``ce-*`` ones, lower case. Raises Refusal."""
    attributes: dict[str, Any] = {}
    for header, value in headers:
        name = header.removeprefix("ce-")
        if name in attributes:
            raise Refusal("bad-cloudevent", header[:40], "occurs twice; send it once")
        attributes[name] = header_text(header, value)
    if "data" in attributes:
        raise Refusal("bad-cloudevent", "ce-data", "is no attribute; send the data as the body")
    return _envelope(attributes, strictjson.parse(body) if body else None, prefix="ce-")


def header_text(header: str, value: str) -> str:
    """Undo quoting, then one round of percent-encoding (binding, section 3.1.3.2). Raises Refusal."""
    where = header[:40]
    if len(value) >= 2 and value[0] == value[-1] == '"':
        value = re.sub(r"\\(.)", r"\1", value[1:-1])
    if not value.isascii() or _STRAY_PERCENT.search(value):
        raise Refusal("bad-cloudevent", where, "is not percent-encoded; write % as %25 and what is not ASCII as UTF-8")
    try:
        return unquote_to_bytes(value).decode("utf-8")
    except UnicodeDecodeError as error:
        raise Refusal("bad-cloudevent", where, "is no UTF-8 once its percent-encoding is undone") from error


def read_structured(body: bytes) -> Envelope:
    """One event in its JSON form. Raises Refusal."""
    return _of_members(strictjson.parse(body))


def read_batch(body: bytes, batch_max: int = BATCH_MAX) -> list[Envelope | BadItem]:
    """Events in order; an item that is none keeps its place. Raises Refusal where the whole can't be read."""
    items = strictjson.parse(body)
    if not isinstance(items, list):
        raise Refusal("bad-cloudevent", "body", f"is {type_name(items)}; a list of events is needed")
    if len(items) > batch_max:
        raise Refusal("too-large", "body", f"has {len(items)} events; {batch_max} at most")
    return [_item(item) for item in items]


def _item(item: Any) -> Envelope | BadItem:
    try:
        return _of_members(item)
    except Refusal as refusal:
        members = item if isinstance(item, dict) else {}
        return BadItem(refusal.let_go(), _usable(members.get("source")), _usable(members.get("id")), item)


def _usable(value: Any) -> str | None:
    return value if isinstance(value, str) and len(value) <= ATTRIBUTE_MAX else None


def _of_members(members: Any) -> Envelope:
    if not isinstance(members, dict):
        raise Refusal("bad-cloudevent", "body", f"an event is {type_name(members)}; an object is needed")
    attributes = {name: value for name, value in members.items() if name not in {"data", "data_base64"}}
    content_type = _text(attributes, "datacontenttype", "")
    if content_type is not None and not _is_json(_media_type(content_type, "datacontenttype")):
        raise Refusal("bad-cloudevent", "datacontenttype", "data other than JSON is not served; send application/json")
    data = members.get("data")
    encoded = members.get("data_base64")
    if encoded is not None:
        if data is not None:
            raise Refusal("bad-cloudevent", "data_base64", "is there together with data; send one of them")
        data = _from_base64(encoded)
    return _envelope(attributes, data, prefix="")


def _from_base64(encoded: Any) -> Any:
    if not isinstance(encoded, str):
        raise Refusal("bad-cloudevent", "data_base64", f"is {type_name(encoded)}; a text is needed")
    try:
        content = base64.b64decode(encoded, validate=True)
    except (binascii.Error, ValueError) as error:
        raise Refusal("bad-cloudevent", "data_base64", "is no base64 (RFC 4648 section 4)") from error
    try:
        return strictjson.parse(content)
    except Refusal as refusal:
        raise Refusal("bad-cloudevent", f"data_base64, {refusal.where}", refusal.problem) from refusal


def _envelope(attributes: dict[str, Any], data: Any, prefix: str) -> Envelope:
    version = attributes.get("specversion")
    if version != "1.0":
        found = "is missing" if version is None else f"is {str(version)[:40]!r}"
        raise Refusal("bad-cloudevent", f"{prefix}specversion", f"{found}; 1.0 is needed")
    envelope = Envelope(
        source=_needed(attributes, "source", prefix),
        id=_needed(attributes, "id", prefix),
        type=_needed(attributes, "type", prefix),
        time=_text(attributes, "time", prefix, TIME_MAX),
        data=data,
        subject=_text(attributes, "subject", prefix),
    )
    for name, value in attributes.items():
        _check_attribute(name, value, prefix)
    return envelope


def _needed(attributes: dict[str, Any], name: str, prefix: str) -> str:
    value = _text(attributes, name, prefix)
    if value is None:
        raise Refusal("bad-cloudevent", f"{prefix}{name}", "is missing; a text that is not empty is needed")
    return value


def _text(attributes: dict[str, Any], name: str, prefix: str, longest: int = ATTRIBUTE_MAX) -> str | None:
    value = attributes.get(name)
    where = f"{prefix}{name}"
    if value is None:
        return None
    if not isinstance(value, str):
        raise Refusal("bad-cloudevent", where, f"is {type_name(value)}; a text is needed")
    if not value:
        raise Refusal("bad-cloudevent", where, "is empty; a text that is not empty is needed")
    if len(value) > longest:
        raise Refusal("bad-cloudevent", where, f"is {len(value)} characters long; {longest} at most")
    _require_plain(value, where)
    return value


def _check_attribute(name: str, value: Any, prefix: str) -> None:
    """Extensions are let by, but a misspelt name would mean *unknown* in silence (CloudEvents 1.0.2, section 3)."""
    if not _NAME.fullmatch(name):
        shown = f"{prefix}{name[:40]}"
        raise Refusal("bad-cloudevent", f"attribute {shown!r}", "names are of a to z and 0 to 9; correct or remove it")
    if isinstance(value, float | list | dict) or (isinstance(value, int) and not -INTEGER_MAX <= value < INTEGER_MAX):
        raise Refusal("bad-cloudevent", f"{prefix}{name}", "is no text, true, false or 32-bit whole number")
    if isinstance(value, str):
        _require_plain(value, f"{prefix}{name}")


def _require_plain(text: str, where: str) -> None:
    found = refused_character(text)
    if found:
        raise Refusal("bad-cloudevent", where, f"holds the control character {found}; send plain text")
