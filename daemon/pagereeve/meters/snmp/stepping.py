"""What follows each of several names, from agents that refuse, shorten or overlook part of a GETNEXT."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.meters.snmp.ber import Varbind
from pagereeve.meters.snmp.habits import Habit
from pagereeve.meters.snmp.limits import AgentLimits
from pagereeve.meters.snmp.message import NO_SUCH_NAME, TOO_BIG, Response

Part = tuple[bytes, ...]
# Tried alone, so many names must stay without an answer before GETNEXT counts as not answered at all.
SILENT_NAMES = 2


class Stepping:
    """``found`` has what follows each name, None where nothing does. Names that failed together are tried alone."""

    def __init__(self, names: Sequence[bytes], limits: AgentLimits) -> None:
        self.found: dict[bytes, Varbind | None] = {}
        self.silent = 0
        self._limits = limits
        self._parts: list[Part] = []
        self._failed: list[Part] = []
        self._doubted: list[Part] = []
        self._again: set[bytes] = set()
        self._check = b""
        self._proven = 0
        self._put(tuple(names), limits.walk.room)

    def _put(self, names: Part, room: int) -> None:
        self._parts[:0] = [names[at : at + room] for at in range(0, len(names), room)]

    def part(self) -> Part:
        """The names of the next request; empty when all are done."""
        return self._parts[0] if self._parts and self._limits.walkable else ()

    def answered(self, response: Response, *, believed: bool) -> None:
        """``believed``: that several names come to the end of the tables at once is not doubted any more."""
        part, limits = self._parts.pop(0), self._limits
        status, varbinds = response.error_status, response.varbinds
        if status == TOO_BIG and len(part) > 1:
            limits.note(Habit.FEW_AT_ONCE)
            limits.walk.failed(len(part), self._proven)
            self._put(part, limits.walk.room)
        elif status:
            self._refused(part, status, response.error_index)
        elif len(varbinds) < len(part):
            limits.note(Habit.SHORT_ANSWERS if varbinds else Habit.NO_VALUES)
            self._alone(part)
        elif not believed and len(part) > 1 and all(varbind.absent for varbind in varbinds):
            self._doubted.append(part)
            self._put(part, 1)
        else:
            limits.walk.worked(len(part))
            self._proven = max(self._proven, len(part))
            self._check_over(there=not varbinds[0].absent)
            self.found |= dict(zip(part, varbinds, strict=False))

    def _alone(self, part: Part) -> None:
        if len(part) == 1:
            self.found[part[0]] = None
            return
        self._failed.append(part)
        self._put(part, 1)

    def _refused(self, part: Part, status: int, index: int) -> None:
        limits = self._limits
        if len(part) == 1:
            if status == TOO_BIG:
                limits.note(Habit.TOO_BIG_ALONE)
            elif status != NO_SUCH_NAME:
                limits.note(Habit.REFUSES_OBJECTS)
            self._check_over(there=False)
            self.found[part[0]] = None
            return
        if not 1 <= index <= len(part):
            limits.note(Habit.NO_ERROR_INDEX)
            self._alone(part)
            return
        if limits.index_right is False:
            self._alone(part)
            return
        name = part[index - 1]
        self._put(tuple(one for one in part if one != name), len(part))
        if limits.index_right is None:
            # An index is believed once its first victim, asked for alone, is refused as well.
            self._check = name
            self._put((name,), 1)
        else:
            self.found[name] = None

    def _check_over(self, *, there: bool) -> None:
        if self._check:
            self._check = b""
            self._limits.index_right = not there
            if there:
                self._limits.note(Habit.WRONG_ERROR_INDEX)

    def unanswered(self, *, heard: bool) -> None:
        """The agent lives, but not for this request. ``heard``: it has answered another GETNEXT."""
        part, limits = self._parts.pop(0), self._limits
        if len(part) > 1:
            self._alone(part)
            return
        if heard and part[0] not in self._again:
            # A walk that is cut short in silence costs a sum its rows: once more, to be sure.
            self._again.add(part[0])
            self._put(part, 1)
            return
        self._check_over(there=False)
        self.silent += 1
        self.found[part[0]] = None
        if heard:
            limits.note(Habit.WALK_STOPS)
        elif self.silent >= SILENT_NAMES or not self._parts:
            limits.note(Habit.WALK_NOT_ANSWERED)
            limits.walkable = False

    def finish(self) -> None:
        """Draw the lessons: what came alone and not together shows how many are too many."""
        too_many = [part for part in self._failed if all(self._there(name) for name in part)]
        too_many += [part for part in self._doubted if any(self._there(name) for name in part)]
        for part in too_many:
            self._limits.note(Habit.FEW_AT_ONCE)
            self._limits.walk.failed(len(part), self._proven)

    def _there(self, name: bytes) -> bool:
        varbind = self.found.get(name)
        return varbind is not None and not varbind.absent
