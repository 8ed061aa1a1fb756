"""What ``pagereeve archive`` found or did, in sentences and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final, Protocol

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible

MIB: Final = 2**20
NOTHING: Final = "Nothing is there to archive: what may leave the journal has left it."


class Share(Protocol):
    @property
    def period(self) -> str: ...
    @property
    def facts(self) -> int: ...
    @property
    def body_bytes(self) -> int: ...
    @property
    def file(self) -> str: ...
    @property
    def file_bytes(self) -> int: ...
    @property
    def sha256(self) -> str: ...


class FileRoom(Protocol):
    @property
    def file_bytes(self) -> int: ...
    @property
    def empty_bytes(self) -> int | None: ...


def look_lines(periods: Sequence[Share], unfinished: Sequence[str], facts: int) -> Iterator[str]:
    for name in unfinished:
        yield visible(f"A run before was cut short: the next one goes on removing what {name} holds.")
    for one in periods:
        yield visible(f"{one.period}: {amount(one.facts, 'reading')} would go, {_mib(one.body_bytes)} of text.")
    going = sum(one.facts for one in periods)
    if going:
        stays = f"{amount(facts - going, 'fact')} would stay"
        yield f"Of {amount(facts, 'fact')} {going} would go ({going / facts:.0%}); {stays}, with what is sealed of all."
    elif not unfinished:
        yield NOTHING


def done_lines(
    periods: Sequence[Share], finished: Sequence[str], removed: int, before: FileRoom, after: FileRoom
) -> Iterator[str]:
    for name in finished:
        yield visible(f"{name}: a run before was cut short; what the file holds has left the journal now.")
    for one in periods:
        packed = f"{_mib(one.file_bytes)}, {one.file_bytes / one.facts:.0f} bytes each"
        yield visible(f"{one.period}: {amount(one.facts, 'reading')} in {one.file} ({packed}), SHA-256 {one.sha256}.")
    if not periods and not finished:
        yield NOTHING
        return
    yield f"{amount(removed, 'row')} left the journal. {_room_text(before, after)}"


def _room_text(before: FileRoom, after: FileRoom) -> str:
    if after.file_bytes < before.file_bytes:
        return f"It took {_mib(before.file_bytes)} and takes {_mib(after.file_bytes)}."
    if after.empty_bytes is None:
        return (
            f"The database stays as large as it was ({_mib(after.file_bytes)}); new facts go first to where they were. "
            "--shrink makes its tables anew, while no daemon runs."
        )
    return (
        f"Its file stays as large as it was ({_mib(after.file_bytes)}); {_mib(after.empty_bytes)} of it are empty, and "
        "new facts go there first. --shrink makes it anew."
    )


def archived_json(
    periods: Sequence[Share], names: Sequence[str], removed: int, before: FileRoom | None, after: FileRoom | None
) -> dict[str, Any]:
    """``names``: files of a run before that was cut short."""
    return {
        "periods": [
            {
                "period": one.period,
                "facts": one.facts,
                "text_bytes": one.body_bytes,
                "file": one.file or None,
                "file_bytes": one.file_bytes if one.file else None,
                "sha256": one.sha256 or None,
            }
            for one in periods
        ],
        "cut_short": list(names),
        "removed": removed,
        "journal_bytes_before": None if before is None else before.file_bytes,
        "journal_bytes": None if after is None else after.file_bytes,
        "journal_empty_bytes": None if after is None else after.empty_bytes,
    }


def _mib(size_bytes: int) -> str:
    return f"{size_bytes / MIB:,.1f} MiB"
