"""IPP messages (RFC 8010 section 3): a question of a few attributes, and an answer of which little is kept.

Of an answer nothing leaves this module but integers under names that were asked for, and of the printer itself what
was asked for as text: owners, names of jobs and addresses are read over, whatever a printer sends.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from struct import pack, unpack_from
from typing import Final

from pagereeve.domain.values.errors import PagereeveError

# Two answers of office printers to a question for everything were 18 and 103 KiB; a few attributes are far less.
ANSWER_BYTES_MAX: Final = 65_536
DEPTH_MAX: Final = 4
GROUPS_MAX: Final = 256
TEXTS_MAX: Final = 64
# The longest text of IPP (RFC 8011 section 5.1.2).
TEXT_OCTETS_MAX: Final = 1_023

GET_JOBS: Final = 0x000A
GET_PRINTER_ATTRIBUTES: Final = 0x000B
REQUEST_ID: Final = 1

OPERATION_ATTRIBUTES, END_OF_ATTRIBUTES = 0x01, 0x03
JOB_ATTRIBUTES, PRINTER_ATTRIBUTES = 0x02, 0x04
INTEGER, ENUM, BEGIN_COLLECTION, END_COLLECTION = 0x21, 0x23, 0x34, 0x37
KEYWORD, URI, CHARSET, LANGUAGE = 0x44, 0x45, 0x47, 0x48
# Character strings without a language of their own: text, name, keyword, uri and others (section 3.5.2).
TEXT_TAGS_FROM, TEXT_TAGS_TO = 0x41, 0x49
# Delimiters lie below, out-of-band values (unknown, no-value) in the first sixteen (section 3.5).
DELIMITERS_END, OUT_OF_BAND_END = 0x10, 0x20


class BadIpp(PagereeveError):
    """An answer that can't be read; the text says where it breaks."""


@dataclass(frozen=True, slots=True)
class IppAnswer:
    """``status`` is the status-code (RFC 8011 section 4.1.6.1), ``groups`` each with its tag and its integers.

    ``texts`` are the printer's own, each with all its values in order.
    """

    status: int
    groups: tuple[tuple[int, Mapping[str, int]], ...]
    texts: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def jobs(self) -> Iterator[Mapping[str, int]]:
        return (members for tag, members in self.groups if tag == JOB_ATTRIBUTES)

    def printer(self) -> Mapping[str, int]:
        """The integers of the printer itself."""
        return next((members for tag, members in self.groups if tag == PRINTER_ATTRIBUTES), {})


def question(operation: int, printer_uri: str, version: int, which: str, limit: int, names: Sequence[str]) -> bytes:
    """Get-Jobs and its like: ``version`` as 0x0200, ``which`` jobs, at most so many, and these attributes of them."""
    which_jobs = [_attribute(KEYWORD, "which-jobs", which.encode()), _attribute(INTEGER, "limit", pack(">i", limit))]
    return _asked(operation, printer_uri, version, which_jobs, names)


def printer_question(printer_uri: str, version: int, names: Sequence[str]) -> bytes:
    """Get-Printer-Attributes (RFC 8011 section 4.2.5) for these alone."""
    return _asked(GET_PRINTER_ATTRIBUTES, printer_uri, version, [], names)


def _asked(operation: int, printer_uri: str, version: int, more: Sequence[bytes], names: Sequence[str]) -> bytes:
    parts = [pack(">HHIB", version, operation, REQUEST_ID, OPERATION_ATTRIBUTES)]
    parts.append(_attribute(CHARSET, "attributes-charset", b"utf-8"))
    parts.append(_attribute(LANGUAGE, "attributes-natural-language", b"en"))
    parts.append(_attribute(URI, "printer-uri", printer_uri.encode()))
    parts += more
    for place, name in enumerate(names):
        parts.append(_attribute(KEYWORD, "" if place else "requested-attributes", name.encode()))
    return b"".join([*parts, bytes((END_OF_ATTRIBUTES,))])


def _attribute(tag: int, name: str, value: bytes) -> bytes:
    return pack(">BH", tag, len(name)) + name.encode() + pack(">H", len(value)) + value


def answer_of(data: bytes, names: Sequence[str], texts: Sequence[str] = (), places: Sequence[bytes] = ()) -> IppAnswer:
    """The answer, with the integers of ``names`` (of several values of one the first), and ``texts`` of the printer.

    Of ``names`` whose value is a URI it is kept which of ``places`` that is, if any: an integer, too.

    Raises BadIpp.
    """
    if not 8 <= len(data) <= ANSWER_BYTES_MAX:
        raise BadIpp(f"an answer of {len(data)} octets; 8 to {ANSWER_BYTES_MAX} are read")
    _, status, request_id = unpack_from(">HHI", data)
    if request_id != REQUEST_ID:
        raise BadIpp(f"request-id {request_id} where {REQUEST_ID} was asked")
    reading = _Reading(frozenset(names), frozenset(texts), {one: place for place, one in enumerate(places)})
    at = 8
    while True:
        if at >= len(data):
            raise BadIpp(f"cut off at octet {at}, before the end of its attributes")
        tag = data[at]
        if tag == END_OF_ATTRIBUTES:
            return IppAnswer(status, tuple(reading.groups), reading.texts)
        if tag < DELIMITERS_END:
            reading.begin(tag)
            at += 1
            continue
        name, at = _text(data, at + 1)
        value, at = _text(data, at)
        reading.take(tag, name, value)


def _text(data: bytes, at: int) -> tuple[bytes, int]:
    """What follows its length of two octets, and where it ends."""
    if at + 2 > len(data):
        raise BadIpp(f"cut off at octet {at}, inside a length")
    (size,) = unpack_from(">H", data, at)
    end = at + 2 + size
    if end > len(data):
        raise BadIpp(f"a length of {size} at octet {at} reaches past the end, octet {len(data)}")
    return data[at + 2 : end], end


class _Reading:
    """The groups so far. ``_name`` is of the attribute under way, ``_depth`` how many collections are open."""

    def __init__(self, names: frozenset[str], texts: frozenset[str], places: Mapping[bytes, int]) -> None:
        self.groups: list[tuple[int, dict[str, int]]] = []
        self.texts: dict[str, list[str]] = {}
        self._names = names
        self._texts = texts
        self._places = places
        self._name = ""
        self._depth = 0

    def begin(self, tag: int) -> None:
        if self._depth:
            raise BadIpp("a group begins inside a collection")
        if len(self.groups) >= GROUPS_MAX:
            raise BadIpp(f"more than {GROUPS_MAX} groups")
        self.groups.append((tag, {}))
        self._name = ""

    def take(self, tag: int, name: bytes, value: bytes) -> None:
        if not self.groups:
            raise BadIpp("a value before the first group")
        if tag == END_COLLECTION:
            self._depth -= 1
            if self._depth < 0:
                raise BadIpp("a collection ends that did not begin")
            return
        if not self._depth:
            # A value without a name is a further one of the attribute before it (section 3.1.5).
            fresh, self._name = bool(name), name.decode("ascii", "replace") if name else self._name
            if fresh and self._name in self._names:
                self._keep(tag, value)
            elif self._name in self._texts:
                self._keep_text(tag, value)
        if tag == BEGIN_COLLECTION:
            self._depth += 1
            if self._depth > DEPTH_MAX:
                raise BadIpp(f"collections inside one another, more than {DEPTH_MAX}")

    def _keep(self, tag: int, value: bytes) -> None:
        """An integer; unknown, no-value and what is of another syntax is left out, as if it were not there."""
        if tag == URI and value.lower() in self._places:
            self.groups[-1][1].setdefault(self._name, self._places[value.lower()])
        if tag not in {INTEGER, ENUM}:
            return
        if len(value) != 4:
            raise BadIpp(f"{self._name} is an integer of {len(value)} octets; 4 are needed")
        self.groups[-1][1].setdefault(self._name, unpack_from(">i", value)[0])

    def _keep_text(self, tag: int, value: bytes) -> None:
        if self.groups[-1][0] != PRINTER_ATTRIBUTES or not TEXT_TAGS_FROM <= tag <= TEXT_TAGS_TO:
            return
        known = self.texts.setdefault(self._name, [])
        if len(known) < TEXTS_MAX:
            known.append(value[:TEXT_OCTETS_MAX].decode("utf-8", "replace"))
