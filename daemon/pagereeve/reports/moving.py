"""What ``pagereeve move`` did and compared, in lines and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, Protocol

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible
from pagereeve.queries.same_answers import Compared
from pagereeve.queries.verify import Verification
from pagereeve.reports.verify import verification_json, verification_lines

MIB: Final = 2**20
ODD: Final = (
    "holds octets that PostgreSQL's text does not take: they stand there as \\x00 or \\xff, each backslash of the text "
    "twice. Nothing is lost, and it is as damaged as it was"
)


class Journal(Protocol):
    @property
    def origin(self) -> str: ...
    @property
    def facts(self) -> int: ...
    @property
    def sha256(self) -> str: ...
    @property
    def size_bytes(self) -> int: ...
    @property
    def rows(self) -> Mapping[str, int]: ...
    @property
    def all_rows(self) -> int: ...


class Done(Protocol):
    @property
    def journal(self) -> Journal: ...
    @property
    def address(self) -> str: ...
    @property
    def went_on_from(self) -> int: ...
    @property
    def odd(self) -> Sequence[str]: ...
    @property
    def damaged(self) -> Sequence[str]: ...
    @property
    def troubles(self) -> Sequence[str]: ...
    @property
    def verified(self) -> Verification: ...
    @property
    def answers(self) -> Sequence[Compared]: ...


def moved_lines(done: Done) -> Iterator[str]:
    journal = done.journal
    if done.went_on_from:
        yield f"An earlier move was stopped; it had stored {amount(done.went_on_from, 'row')}, and this one went on."
    for name, rows in journal.rows.items():
        if rows:
            yield f"{name}: {amount(rows, 'row')}, read back and equal"
    for odd in done.odd:
        yield visible(f"{odd} {ODD}")
    for row in done.damaged:
        yield visible(f"{row} was damaged in the file, and is as damaged in the database")
    for trouble in done.troubles:
        yield visible(f"The file is damaged: {trouble}")
    yield from (f"seal: {one}" for one in verification_lines(done.verified))
    for one in done.answers:
        yield f"{one.question}: {amount(one.lines, 'line')}, the same of both"
    yield (
        f"The file is as it was: {amount(journal.facts, 'fact')} in {journal.size_bytes / MIB:,.1f} MiB, "
        f"SHA-256 {journal.sha256}."
    )
    yield (
        f"The journal is whole in {done.address} ({amount(journal.all_rows, 'row')}). Start the daemon with settings "
        "that name it; what it stores from then on is not in the file."
    )


def moved_json(done: Done) -> dict[str, Any]:
    journal = done.journal
    return {
        "journal": journal.origin,
        "facts": journal.facts,
        "file_sha256": journal.sha256,
        "file_bytes": journal.size_bytes,
        "database": done.address,
        "tables": dict(journal.rows),
        "rows": journal.all_rows,
        "went_on_from": done.went_on_from,
        "rows_in_another_form": list(done.odd),
        "damaged": list(done.damaged),
        "file_troubles": list(done.troubles),
        "verified": verification_json(done.verified),
        "answers": [{"question": one.question, "lines": one.lines, "same": one.same} for one in done.answers],
    }
