"""Recorded answers as text: a line ``OID|TAG|VALUE`` for each object, in order of the OIDs.

This is the form of snmpsim's data files (docs.lextudio.com/snmpsim, "Managing data files"): the tag is the value's BER
tag in decimal, with ``x`` where the value is in hexadecimal digits.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.snmp.ber import (
    INTEGER,
    IP_ADDRESS,
    NULL,
    OBJECT_ID,
    OCTET_STRING,
    UNSIGNED_BYTES,
    DecodeError,
    Varbind,
    number,
    oid_arcs,
    oid_bytes,
    oid_label,
)

FILE_MAX_BYTES: Final = 16 * 2**20
OBJECTS_MAX: Final = 100_000

Rows = Mapping[bytes, Varbind]
"""By encoded name."""


class BadRecording(PagereeveError):
    """A file that is no recording; the text names the line, what is wrong with it and what to write."""


def recording_text(rows: Rows) -> str:
    """Every row but those of a type that SNMP has not."""
    ordered = sorted(rows.values(), key=lambda one: oid_arcs(one.oid))
    return "".join(f"{oid_label(one.oid)}|{value}\n" for one in ordered if (value := _written(one)) is not None)


def _written(varbind: Varbind) -> str | None:
    tag = varbind.tag
    if tag in {OCTET_STRING, IP_ADDRESS}:
        return f"{tag}x|{varbind.content.hex()}"
    if tag == OBJECT_ID:
        return f"{tag}|{oid_label(varbind.content)}"
    if tag == NULL:
        return f"{tag}|"
    if tag == INTEGER or tag in UNSIGNED_BYTES:
        return f"{tag}|{number(varbind)}"
    return None


def recorded_rows(path: Path) -> dict[bytes, Varbind]:
    """The inverse. Raises BadRecording."""
    try:
        with path.open("rb") as file:
            raw = file.read(FILE_MAX_BYTES + 1)
    except OSError as error:
        raise BadRecording(f"{path}: can't be read ({error.strerror})") from error
    if len(raw) > FILE_MAX_BYTES:
        raise BadRecording(f"{path}: longer than {FILE_MAX_BYTES} bytes")
    rows: dict[bytes, Varbind] = {}
    for nth, line in enumerate(raw.decode("latin-1").split("\n"), 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            one = _read(line.rstrip("\r"))
        except (ValueError, OverflowError, DecodeError) as error:
            raise BadRecording(f"{path}: line {nth}: {error}; write OID|TAG|VALUE") from None
        if one.oid in rows:
            raise BadRecording(f"{path}: line {nth}: {oid_label(one.oid)} is there twice; keep one")
        rows[one.oid] = one
        if len(rows) > OBJECTS_MAX:
            raise BadRecording(f"{path}: more than {OBJECTS_MAX} objects")
    if not rows:
        raise BadRecording(f"{path}: holds no object; write OID|TAG|VALUE on each line")
    return rows


def _read(line: str) -> Varbind:
    dotted, first, rest = line.partition("|")
    tag, second, value = rest.partition("|")
    if not first or not second:
        raise ValueError("has no two bars")
    name = oid_bytes(dotted)
    kind = int(tag.removesuffix("x"))
    if tag.endswith("x"):
        return Varbind(name, kind, bytes.fromhex(value))
    if kind == OBJECT_ID:
        return Varbind(name, kind, oid_bytes(value))
    if kind == NULL:
        return Varbind(name, kind, b"")
    if kind == OCTET_STRING:
        return Varbind(name, kind, value.encode("latin-1"))
    if kind == IP_ADDRESS:
        return Varbind(name, kind, bytes(map(int, value.split("."))))
    return Varbind(name, kind, _number(kind, int(value)))


def _number(kind: int, value: int) -> bytes:
    if kind != INTEGER and kind not in UNSIGNED_BYTES:
        raise ValueError(f"{kind} is no tag of a value of SNMP")
    if kind != INTEGER and not 0 <= value < 2 ** (8 * UNSIGNED_BYTES[kind]):
        raise ValueError(f"{value} is out of the range of tag {kind}")
    bits = (value if value >= 0 else ~value).bit_length()
    return value.to_bytes(bits // 8 + 1, "big", signed=True)
