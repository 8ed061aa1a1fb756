"""What is set of a stream of badge lines, whether it ends here ([[feeds.lines]]) or passes through ([[relays]])."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from pagereeve.domain.values.splitting import ANY_LINE_END
from pagereeve.ports.setting_types import Duration, DurationRange, HostPort, Name, Section, Target, Whole

TERMINATORS: Final = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r", "none": b""}

Terminator = Literal["crlf", "lf", "cr", "none"]
Encoding = Literal["ascii", "utf-8", "latin-1", "hex"]
Affix = Annotated[str, Field(max_length=32)]


class LineSettings(Section):
    """Badge numbers as a gateway's reader sends them, on raw TCP."""

    name: Name
    listen: HostPort
    gateway: Name | None = None
    reader: Name | None = None
    terminator: Terminator = "crlf"
    prefix: Affix = ""
    suffix: Affix = ""
    encoding: Encoding = "ascii"
    line_max_bytes: Annotated[Whole, Field(ge=8, le=65_536)] = 512
    idle_flush: Annotated[Duration, DurationRange("10ms", "1m")] = Duration.of("500ms")

    @property
    def terminator_bytes(self) -> bytes | None:
        """ANY_LINE_END wherever a CR or LF can be no part of a line: badge lines of a text are never lost by their end.

        Else the setting decides; empty where a line ends by a pause (``idle_flush``).
        """
        if self.encoding != "hex" and not {"\r", "\n"} & {*self.prefix, *self.suffix}:
            return ANY_LINE_END
        return TERMINATORS[self.terminator]


class RelaySettings(LineSettings):
    """One of [[relays]]: every byte passes on to ``forward_to``, and the daemon gets a copy of the lines.

    ``held_lines_max`` are lines kept in memory while the daemon is away.
    """

    forward_to: Target
    connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 256
    connections_per_peer_max: Annotated[Whole, Field(ge=1, le=100_000)] = 32
    held_lines_max: Annotated[Whole, Field(ge=1, le=1_000_000)] = 10_000
