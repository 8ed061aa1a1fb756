"""A figure that somebody read from a printer's own panel, or from a status page that it printed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.codec import FIGURE_MAX, INSTANT, TEXT, TRUTH, Codec, Member, integer, text

READINGS_SOURCE: Final = "urn:pagereeve:readings"
"""The one source of noted readings, whoever sends them: so all of them are found, and an id is one of them."""
NOTED_CHANNELS: Final = ("total", "mono", "colour", "prints", "copies", "faxes", "sheets", "duplex", "large", "blank")
"""What a panel may show a figure of."""


@dataclass(frozen=True, slots=True)
class NotedReading:
    """The panel showed ``figure`` on ``channel`` at ``read_us``.

    ``voids`` is the id of another one that was noted wrongly: this one takes it back, and has neither figure nor
    channel; ``read_us`` is then that one's. ``despite``: it was noted although it does not fit the figures beside it.
    """

    read_us: int | None = None
    channel: str = ""
    figure: int | None = None
    voids: str = ""
    despite: bool = False
    text: str = ""


def _is_whole(said: NotedReading) -> tuple[str, str] | None:
    if said.voids:
        if said.figure is not None or said.channel or said.despite:
            return "voids", "takes a whole reading back; leave figure, channel and despite out"
        return None
    if said.figure is None:
        return "figure", "is missing; it is what the panel showed, a whole number"
    if said.read_us is None:
        return "read", "is missing; it is when the figure was read, an RFC 3339 time"
    if said.channel not in NOTED_CHANNELS:
        return "channel", f"must be one of {', '.join(NOTED_CHANNELS)}"
    return None


NOTED_READING: Final = Codec(
    NotedReading,
    Member("read_us", INSTANT, "read", default=None),
    Member("channel", text(40), default=""),
    Member("figure", integer(0, FIGURE_MAX), default=None),
    Member("voids", TEXT, default=""),
    Member("despite", TRUTH, default=False),
    Member("text", TEXT, default=""),
    check=_is_whole,
)
