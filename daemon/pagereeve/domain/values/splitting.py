"""A stream of bytes into lines, with bounded memory whatever comes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    content: bytes


@dataclass(frozen=True, slots=True)
class Spoilt:
    """More bytes without a terminator than a line may have. ``head`` is how they begin."""

    head: bytes


class LineSplitter:
    """Cuts at each ``terminator``; with none, only where ``flush`` says that the sender paused.

    A line longer than ``line_max_bytes`` is given up at once and the rest of it skipped to the next terminator.
    """

    def __init__(self, terminator: bytes, line_max_bytes: int) -> None:
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
        if self._terminator:
            *whole, rest = bytes(self._buffer).split(self._terminator)
            for content in whole:
                lines += self._ended(content)
            self._buffer[:] = rest
        self._give_up_if_too_long(lines)
        return lines

    def flush(self) -> list[Line | Spoilt]:
        """The sender paused or hung up: what is there is a line. Half a terminator at its end belongs to none."""
        content = bytes(self._buffer)
        self._buffer.clear()
        for size in range(len(self._terminator) - 1, 0, -1):
            if content.endswith(self._terminator[:size]):
                content, self._owed = content[:-size], self._terminator[size:]
                break
        return self._ended(content) if content or self._skipping else []

    def _ended(self, content: bytes) -> list[Line | Spoilt]:
        if self._skipping:
            self._skipping = False
            return []
        if len(content) > self._line_max_bytes:
            return [Spoilt(content)]
        return [Line(content)]

    def _give_up_if_too_long(self, lines: list[Line | Spoilt]) -> None:
        # The last bytes stay: they may be the first half of a terminator.
        keep = max(len(self._terminator) - 1, 0)
        if len(self._buffer) <= self._line_max_bytes + keep:
            return
        if not self._skipping:
            lines.append(Spoilt(bytes(self._buffer[: self._line_max_bytes])))
            self._skipping = True
        del self._buffer[: len(self._buffer) - keep]

    def _past_owed(self, chunk: bytes) -> bytes:
        """Without the second half of a terminator whose first half a flush already consumed."""
        size = 0
        while size < min(len(self._owed), len(chunk)) and chunk[size] == self._owed[size]:
            size += 1
        matched = size == len(chunk)
        self._owed = self._owed[size:] if matched else b""
        return chunk[size:]
