"""Readings of panels for tests, of one source and each with an id of its own."""

from __future__ import annotations

from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Origin, ReadingNoted
from pagereeve.domain.facts.noted_reading import NOTED_CHANNELS, READINGS_SOURCE, NotedReading

_INSTANTS_US = st.integers(1_700_000_000_000_000, 1_800_000_000_000_000)
_TEXTS = st.sampled_from(["", "from the status page", "é"])
SAID = st.one_of(
    st.builds(
        NotedReading,
        read_us=_INSTANTS_US,
        channel=st.sampled_from(NOTED_CHANNELS),
        figure=st.integers(0, 2**53 - 1),
        despite=st.booleans(),
        text=_TEXTS,
    ),
    st.builds(NotedReading, read_us=_INSTANTS_US, voids=st.sampled_from(["n-1", "é"]), text=_TEXTS),
)


def noted(
    printer: str, name: str, at_us: int, figure: int, channel: str = "total", *, said_us: int | None = None
) -> ReadingNoted:
    said = NotedReading(at_us, channel, figure)
    return ReadingNoted(printer, _origin(name, at_us, said_us), "warden", said)


def taken_back(name: str, other: ReadingNoted, *, said_us: int | None = None) -> ReadingNoted:
    at_us = other.origin.at_us
    said = NotedReading(at_us, voids=other.origin.id)
    return ReadingNoted(other.printer, _origin(name, at_us, said_us), "warden", said)


def _origin(name: str, at_us: int, said_us: int | None) -> Origin:
    when_us = at_us if said_us is None else said_us
    return Origin(READINGS_SOURCE, name, at_us, when_us, when_us)
