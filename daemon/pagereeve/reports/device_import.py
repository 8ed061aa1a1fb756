"""What an import of printers changes, as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, Protocol

from pagereeve.domain.values.visible import visible

# Of one kind; the rest is a number.
SHOWN_MAX: Final = 50
KINDS: Final = ("removed", "changed", "added")


class ShownChange(Protocol):
    """As settings.importing.Change has it."""

    @property
    def kind(self) -> str: ...
    @property
    def table(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def line(self) -> int: ...
    @property
    def details(self) -> tuple[str, ...]: ...


def changes_text(changes: Sequence[ShownChange], same: int, left: Sequence[str]) -> str:
    """A line for each change, what is removed first; then what stays, and columns that were left."""
    return "\n".join(_lines(changes, same, left))


def _lines(changes: Sequence[ShownChange], same: int, left: Sequence[str]) -> Iterator[str]:
    for kind in KINDS:
        of_kind = [one for one in changes if one.kind == kind]
        for one in of_kind[:SHOWN_MAX]:
            where = f"line {one.line}" if one.line else "in no line"
            details = f"  {visible('; '.join(one.details))}" if one.details else ""
            yield f"{kind:8} {where:10}  {one.table[:-1]} {visible(one.name)}{details}"
        if len(of_kind) > SHOWN_MAX:
            yield f"{kind:8} and {len(of_kind) - SHOWN_MAX} more"
    if same:
        yield f"same     {entries(same)}"
    if left:
        columns = ", ".join(visible(repr(one[:40])) for one in left[:SHOWN_MAX])
        yield f"left     {'the column' if len(left) == 1 else 'the columns'} {columns}: no setting of a printer"


def entries(number: int) -> str:
    return "1 entry" if number == 1 else f"{number} entries"
