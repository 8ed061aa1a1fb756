"""A table's column, row by row, from agents that may run in circles or answer beside the question."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pagereeve.meters.snmp.ber import DecodeError, Varbind, oid_arcs
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.habits import Habit
from pagereeve.meters.snmp.names import Index


@dataclass(slots=True)
class Walk:
    """Columns walked side by side, a row of each with every request. ``rows_max`` bounds each column.

    ``cut`` names columns that had more rows than that.
    """

    rows_max: Mapping[bytes, int]
    found: dict[bytes, dict[Index, Varbind]] = field(default_factory=dict)
    cut: set[bytes] = field(default_factory=set)
    _cursors: dict[bytes, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.found = {column: {} for column in self.rows_max}
        self._cursors = {column: column for column in self.rows_max}

    @property
    def done(self) -> bool:
        return not self._cursors

    def runs(self, column: bytes) -> bool:
        """Whether the column is not at its end yet."""
        return column in self._cursors

    async def step(self, conversation: Conversation) -> None:
        """One request for the next row of every column that is not at its end."""
        columns = list(self._cursors)
        answers = self._sorted(columns, await conversation.get_next([self._cursors[column] for column in columns]))
        for column, varbind in zip(columns, answers, strict=True):
            if varbind is not None and _turns_back(self._cursors[column], varbind):
                conversation.limits.note(Habit.WALK_IN_CIRCLES)
            if varbind is None or not follows(column, self._cursors[column], varbind):
                del self._cursors[column]
            elif len(self.found[column]) >= self.rows_max[column]:
                self.cut.add(column)
                del self._cursors[column]
            else:
                self._cursors[column] = varbind.oid
                self.found[column][index_in(column, varbind.oid)] = varbind

    def _sorted(self, columns: list[bytes], answers: list[Varbind | None]) -> list[Varbind | None]:
        """Each column's own answer, wherever it stands: some agents answer in another order than they are asked in."""
        return [
            next(
                (one for one in (own, *answers) if one is not None and follows(column, self._cursors[column], one)), own
            )
            for column, own in zip(columns, answers, strict=True)
        ]

    async def finish(self, conversation: Conversation) -> Walk:
        while not self.done:
            await self.step(conversation)
        return self


def follows(column: bytes, cursor: bytes, varbind: Varbind) -> bool:
    """Whether the walk goes on: still in the column, and further on than before (an agent may run in circles)."""
    if varbind.absent or not varbind.oid.startswith(column):
        return False
    try:
        return oid_arcs(varbind.oid) > oid_arcs(cursor)
    except DecodeError:
        return False


def _turns_back(cursor: bytes, varbind: Varbind) -> bool:
    try:
        return not varbind.absent and oid_arcs(varbind.oid) <= oid_arcs(cursor)
    except DecodeError:
        return True


def index_in(column: bytes, name: bytes) -> Index:
    return oid_arcs(name)[len(oid_arcs(column)) :]
