"""Facts that travel: NDJSON, one fact a line, in RFC 8785 canonical bytes.

A line is the fact's own object (facts.codec) with two members more: ``seq``, its number on its printer's timeline,
and ``open`` (true) for the run that a meter is in just now, which has no number yet. Both may be left out.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO, Final

from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, instant_us
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import Faults
from pagereeve.domain.values.fields import Fields
from pagereeve.ports.reads import Reads

LINE_MAX_BYTES: Final = 1024 * 1024
SEQ_MAX: Final = 2**53 - 1
# A meter can move on while its facts are read out; more often than this within one export is no meter.
CATCH_UP_MAX: Final = 100


@dataclass(frozen=True, slots=True)
class FactLine:
    """``seq`` is None where the line has no number. ``open``: the run may still grow. ``remarks``: what of its
    event's data was left out.
    """

    fact: Fact
    seq: int | None = None
    open: bool = False
    remarks: tuple[BadLine, ...] = ()


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that is no fact: its number from 1, and what is wrong with which member."""

    number: int
    problem: str

    def __str__(self) -> str:
        return f"line {self.number}: {self.problem}"


def line_bytes(line: FactLine) -> bytes:
    """The line without its newline."""
    members = to_json(line.fact)
    if line.seq is not None:
        members["seq"] = line.seq
    if line.open:
        members["open"] = True
    return canonical(members)


async def fact_lines(reads: Reads, printer: str | None = None) -> AsyncIterator[FactLine]:
    """All facts of a printer, or of all, those without a printer first; each printer's open run after its facts.

    Without what sites that forward say of themselves: a line has no member for that, and it would be taken for ours.
    """
    names = ["", *await reads.printers()] if printer is None else [printer]
    for name in names:
        async for line in _of_printer(reads, name):
            yield line


async def _of_printer(reads: Reads, printer: str) -> AsyncIterator[FactLine]:
    """The open run is asked for before and after: where it was sealed meanwhile, its fact is fetched too."""
    before = await reads.open_run(printer)
    last = 0
    for _ in range(CATCH_UP_MAX):
        async for stored in reads.said_facts(printer, last):
            last = stored.seq
            yield FactLine(stored.fact, stored.seq)
        after = await reads.open_run(printer)
        if after is None or (before is not None and instant_us(before.fact) == instant_us(after.fact)):
            break
        before = after
    if after is not None:
        yield FactLine(after.fact, open=True)


def read_lines(file: BinaryIO) -> Iterator[FactLine | BadLine]:
    """Every line of a file, in any order of facts; empty lines are passed over. Holds one line at a time."""
    number = 0
    while raw := file.readline(LINE_MAX_BYTES + 1):
        number += 1
        if len(raw) > LINE_MAX_BYTES:
            _skip_line(file, raw)
            yield BadLine(number, f"is longer than {LINE_MAX_BYTES} bytes; one fact a line is needed")
        elif raw.strip():
            yield _line_of(number, raw)


def _skip_line(file: BinaryIO, raw: bytes) -> None:
    while raw and not raw.endswith(b"\n"):
        raw = file.readline(LINE_MAX_BYTES)


def _line_of(number: int, raw: bytes) -> FactLine | BadLine:
    try:
        # Some editors put a byte order mark before the first line.
        text = raw.decode("utf-8-sig" if number == 1 else "utf-8")
        return _parsed(number, json.loads(text, object_pairs_hook=_members, parse_constant=_no_constant))
    except BadFact as error:
        return BadLine(number, str(error))
    except UnicodeDecodeError as error:
        return BadLine(number, f"is not UTF-8 (octet {error.start + 1} of the line)")
    except json.JSONDecodeError as error:
        return BadLine(number, f"is no JSON: {error.msg} at character {error.colno}")
    except ValueError:
        return BadLine(number, "holds a number too long to read")
    except RecursionError:
        return BadLine(number, "is nested too deeply; a fact is flat")


def _parsed(number: int, members: Any) -> FactLine:
    fields = Fields(members, "")
    seq = fields.optional_integer("seq", 1, SEQ_MAX)
    rest = {name: members[name] for name in fields.names() if name != "open"}
    is_open = members.get("open", False)
    if not isinstance(is_open, bool):
        raise BadFact("open", "must be true or false, or left out")
    faults = Faults()
    fact = from_json(rest, faults)
    if is_open and not isinstance(fact, PlateauRead | ReadFailed):
        raise BadFact("open", "only a reading or a failed read can still grow; leave it out")
    return FactLine(fact, seq, is_open, tuple(BadLine(number, str(one)) for one in faults.told()))


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise BadFact(twice[:40], "occurs twice in one object; keep one")
    return members


def _no_constant(text: str) -> Any:
    raise BadFact("value", f"{text} is no JSON number (RFC 8259)")
