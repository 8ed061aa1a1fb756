"""``multipart/form-data``: a form that brings a file (RFC 7578; its parts as RFC 2046 section 5.1.1 has them).

No library does it here. The body is whole in memory, and was refused if too long, or of nobody who may send one, before
it was read (app/request_body.py, app/sign_in.py): what is left is to part it, and two limits. A parser for streams
would be one more dependency of the daemon, with callbacks and states for what is a split of bytes; its limits on parts
and their heads would be ours to keep all the same, and the email package of the standard library alters line ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from email.message import Message
from typing import Final, NamedTuple

from pagereeve.console.sign_in.requests import Headers, values_of

MULTIPART: Final = b"multipart/form-data"
PARTS_MAX: Final = 20
HEAD_MAX_BYTES: Final = 2_000
BOUNDARY_MAX: Final = 70


class Part(NamedTuple):
    """``filename`` is as its sender says, "" of a field."""

    data: bytes
    filename: str = ""


def is_multipart(headers: Headers) -> bool:
    kinds = [value.partition(b";")[0].strip().lower() for value in values_of(headers, b"content-type")]
    return kinds == [MULTIPART]


def parts_of(headers: Headers, body: bytes) -> Mapping[str, Part] | None:
    """By name; None for what is no such form, or holds a field twice, or more than PARTS_MAX."""
    boundary = _boundary(values_of(headers, b"content-type"))
    if not boundary:
        return None
    # The first delimiter has no line end before it where there is no preamble.
    pieces = (b"\r\n" + body).split(b"\r\n--" + boundary, PARTS_MAX + 2)
    if len(pieces) > PARTS_MAX + 2 or len(pieces) < 2 or not pieces[-1].startswith(b"--"):
        return None
    found: dict[str, Part] = {}
    for piece in pieces[1:-1]:
        head, parted, data = piece.partition(b"\r\n\r\n")
        named = _named(head)
        if not parted or named is None or named[0] in found:
            return None
        found[named[0]] = Part(data, named[1])
    return found


def texts_of(parts: Mapping[str, Part]) -> Mapping[str, str]:
    """Fields without files; those that are no UTF-8 are left out."""
    texts = {}
    for name, part in parts.items():
        if part.filename:
            continue
        try:
            texts[name] = part.data.decode()
        except UnicodeDecodeError:
            continue
    return texts


def _boundary(kinds: list[bytes]) -> bytes:
    if len(kinds) != 1:
        return b""
    said = Message()
    said["content-type"] = kinds[0].decode("latin-1")
    boundary = said.get_param("boundary")
    if not isinstance(boundary, str) or not boundary.isascii() or not 0 < len(boundary) <= BOUNDARY_MAX:
        return b""
    return boundary.encode()


def _named(head: bytes) -> tuple[str, str] | None:
    """Its name and its file's, from the Content-Disposition of a part."""
    if len(head) > HEAD_MAX_BYTES:
        return None
    for line in head.split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-disposition":
            said = Message()
            said["content-disposition"] = value.decode("utf-8", errors="replace").strip()
            field, filename = (said.get_param(one, header="content-disposition") for one in ("name", "filename"))
            return (field, filename if isinstance(filename, str) else "") if isinstance(field, str) and field else None
    return None
