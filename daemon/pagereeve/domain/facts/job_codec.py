"""The JSON of what a printer says of its jobs."""

from __future__ import annotations

from typing import Final, get_args

from pagereeve.domain.facts.jobs import (
    CHANNEL_MAX,
    COUNT_MAX,
    JOB_MAX,
    NOT_COUNTED,
    JobCounted,
    JobCounts,
    JobDoor,
    JobState,
    NamedBy,
    Within,
)
from pagereeve.domain.values.codec import FIGURE, INSTANT, TEXT, Codec, Member, choice, inner, integer

_COUNT: Final = integer(0, COUNT_MAX)
_WITHIN: Final = inner(Codec(Within, Member("from_us", INSTANT, "from"), Member("until_us", INSTANT, "until")))
_NAMED_BY: Final = inner(Codec(NamedBy, Member("source", TEXT), Member("release", TEXT)))
_COUNTS: Final = inner(
    Codec(
        JobCounts,
        Member("impressions", _COUNT, default=None),
        Member("sheets", _COUNT, default=None),
        Member("pages", _COUNT, default=None),
        Member("colour", _COUNT, default=None),
    )
)


def _times(counted: JobCounted) -> tuple[str, str] | None:
    if counted.received_us < counted.sent_us:
        return "received", "is before sent; a look ends after it began"
    spans = (("began", counted.began), ("ended", counted.ended))
    late = next((name for name, span in spans if span is not None and span.until_us < span.from_us), None)
    return None if late is None else (late, "ends before it begins")


JOB_COUNTED: Final = Codec(
    JobCounted,
    Member("printer", TEXT),
    Member("door", choice(get_args(JobDoor))),
    Member("job", integer(1, JOB_MAX)),
    Member("sent_us", INSTANT, "sent"),
    Member("received_us", INSTANT, "received"),
    Member("state", choice(get_args(JobState))),
    Member("set", integer(0, JOB_MAX), default=0),
    Member("epoch", integer(1, JOB_MAX), default=1),
    Member("reasons", FIGURE, default=0),
    Member("counts", _COUNTS, default=NOT_COUNTED),
    Member("service", integer(0, CHANNEL_MAX), default=None),
    Member("channel", integer(0, CHANNEL_MAX), default=None),
    Member("began", _WITHIN, default=None),
    Member("ended", _WITHIN, default=None),
    Member("named_by", _NAMED_BY, default=None),
    check=_times,
)
