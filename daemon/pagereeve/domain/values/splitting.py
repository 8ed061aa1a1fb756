"""A stream of bytes into lines, with bounded memory whatever comes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

ANY_LINE_END: Final = None
"""Instead of a terminator: CR, LF and CRLF all end a line, whichever the sender at the other end uses."""

_ANY_LINE_END: Final = re.compile(rb"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Line:
    content: bytes


@dataclass(frozen=True, slots=True)
class Spoilt:
    """More bytes without a terminator than a line may have. ``head`` is how they begin."""

    head: bytes


class LineSplitter:
    """Cuts at each ``terminator``; with an empty one, only where ``flush`` says that the sender paused.

    One for each connection: two senders at one listener may end their lines differently (ANY_LINE_END). A line longer
    than ``line_max_bytes`` is given up at once and the rest of it skipped to the next terminator.
    """

    def __init__(self, terminator: bytes | None, line_max_bytes: int) -> None:
        self._terminator = terminator
        self._line_max_bytes = line_max_bytes
        self._buffer = bytearray()
        self._skipping = False
        self._owed = b""

    @property
    def pending(self) -> bool:
        """Whether a line is begun that only ``flush`` may ever end."""
        return bool(self._buffer) or self._skipping

    def feed(self, chunk: bytes) -> list[Line | Spoilt]:
        """The lines that ``chunk`` completes."""
        chunk = self._past_owed(chunk)
        self._buffer += chunk
        lines: list[Line | Spoilt] = []
        *whole, rest = self._cut(bytes(self._buffer))
        for content in whole:
            lines += self._ended(content)
        self._buffer[:] = rest
        self._give_up_if_too_long(lines)
        return lines

    def flush(self) -> list[Line | Spoilt]:
        """The sender paused or hung up: what is there is a line. Half a terminator at its end belongs to none."""
        content = bytes(self._buffer)
        self._buffer.clear()
        terminator = self._terminator or b""
        for size in range(len(terminator) - 1, 0, -1):
            if content.endswith(terminator[:size]):
                content, self._owed = content[:-size], terminator[size:]
                break
        return self._ended(content) if content or self._skipping else []

    def _cut(self, content: bytes) -> list[bytes]:
        if self._terminator is not None:
            return content.split(self._terminator) if self._terminator else [content]
        if content.endswith(b"\r"):
            # Whether it was half of a CRLF shows with the next byte; the line has ended either way.
            self._owed = b"\n"
        return _ANY_LINE_END.split(content)

    def _ended(self, content: bytes) -> list[Line | Spoilt]:
        if self._skipping:
            self._skipping = False
            return []
        if len(content) > self._line_max_bytes:
            return [Spoilt(content)]
        return [Line(content)]

    def _give_up_if_too_long(self, lines: list[Line | Spoilt]) -> None:
        # The last bytes stay: they may be the first half of a terminator.
        keep = max(len(self._terminator or b"") - 1, 0)
        if len(self._buffer) <= self._line_max_bytes + keep:
            return
        if not self._skipping:
            lines.append(Spoilt(bytes(self._buffer[: self._line_max_bytes])))
            self._skipping = True
        del self._buffer[: len(self._buffer) - keep]

    def _past_owed(self, chunk: bytes) -> bytes:
        """Without the second half of a terminator whose first half has ended a line already."""
        size = 0
        while size < min(len(self._owed), len(chunk)) and chunk[size] == self._owed[size]:
            size += 1
        matched = size == len(chunk)
        self._owed = self._owed[size:] if matched else b""
        return chunk[size:]
