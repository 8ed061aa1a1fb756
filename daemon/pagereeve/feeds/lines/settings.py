"""[[feeds.lines]]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from pagereeve.feeds.kind import FeedSettings
from pagereeve.feeds.lines.badge_text import Encoding
from pagereeve.feeds.lines.splitting import ANY_LINE_END
from pagereeve.ports.setting_types import Duration, DurationRange, HostPort, Name, Target, Whole

TERMINATORS: Final = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r", "none": b""}

Terminator = Literal["crlf", "lf", "cr", "none"]
Affix = Annotated[str, Field(max_length=32)]


class LineFeedSettings(FeedSettings):
    """One of [[feeds.lines]]: a raw TCP door for badge numbers, as a gateway's reader sends them."""

    listen: HostPort
    gateway: Name | None = None
    reader: Name | None = None
    terminator: Terminator = "crlf"
    prefix: Affix = ""
    suffix: Affix = ""
    encoding: Encoding = "ascii"
    line_max_bytes: Annotated[Whole, Field(ge=8, le=65_536)] = 512
    idle_flush: Annotated[Duration, DurationRange("10ms", "1m")] = Duration.of("500ms")
    tee: Target | None = None

    @property
    def terminator_bytes(self) -> bytes | None:
        """ANY_LINE_END wherever a CR or LF can be no part of a line: badge lines of a text are never lost by their end.

        Else the setting decides; empty where a line ends by a pause (``idle_flush``).
        """
        if self.encoding != "hex" and not {"\r", "\n"} & {*self.prefix, *self.suffix}:
            return ANY_LINE_END
        return TERMINATORS[self.terminator]
