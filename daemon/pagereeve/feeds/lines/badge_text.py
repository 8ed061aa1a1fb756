"""The badge number in one line, as the reader sent it: frame removed, bytes decoded, nothing else changed."""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.domain.values.plain_text import refused_character
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.line_settings import Encoding, LineSettings


@dataclass(frozen=True, slots=True)
class BadgeFrame:
    """How one kind of reader writes a line. ``hex`` is for raw bytes, which become upper-case hexadecimal."""

    prefix: bytes = b""
    suffix: bytes = b""
    encoding: Encoding = "ascii"

    def badge_of(self, line: bytes) -> str:
        """Raises Refusal (``line-not-framed``, ``line-not-text``), whose text holds nothing of the line."""
        if not line.startswith(self.prefix) or len(line) < len(self.prefix) + len(self.suffix):
            raise Refusal("line-not-framed", "line", f"does not begin with {self.prefix!r}; check the feed's prefix")
        if not line.endswith(self.suffix):
            raise Refusal("line-not-framed", "line", f"does not end with {self.suffix!r}; check the feed's suffix")
        content = line[len(self.prefix) : len(line) - len(self.suffix)]
        badge = content.hex().upper() if self.encoding == "hex" else self._text(content)
        if not badge:
            raise Refusal("line-not-framed", "line", "holds a frame but no badge number")
        return badge

    def _text(self, content: bytes) -> str:
        try:
            text = content.decode(self.encoding)
        except UnicodeDecodeError:
            raise Refusal("line-not-text", "line", f"is no {self.encoding}; check the feed's encoding") from None
        if not text.isprintable():
            held = refused_character(text) or "what can't be printed"
            raise Refusal("line-not-text", "line", f"holds {held}; check the feed's terminator and encoding")
        return text


def frame_of(line: LineSettings) -> BadgeFrame:
    return BadgeFrame(line.prefix.encode(), line.suffix.encode(), line.encoding)
