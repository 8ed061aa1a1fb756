"""What is asked for in which request, where one GET becomes several, and what each answer brings.

Every answer carries sysUpTime where it has room for two names; where it has not, sysUpTime is asked for again at the
end. So parts are combined only if no restart lies between them (RFC 3416 section 4.2.1: an agent may answer tooBig;
what to do then is left to the manager).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.snmp.ber import DecodeError, Varbind, number
from pagereeve.meters.snmp.habits import Habit
from pagereeve.meters.snmp.limits import NAMES_MAX, AgentLimits
from pagereeve.meters.snmp.names import SYS_UP_TIME, SYSTEM_GROUP

Part = tuple[bytes, ...]
UPTIME_MODULUS = 2**32


class Restarted(PagereeveError):
    """The agent's sysUpTime went back between two answers."""


class Gathering:
    """``values`` are those of the answers so far, ``refused`` the names that the agent has nothing to say about;
    ``spoilt`` are those of them about which it did not even say so.

    Names of one group of ``together`` come from one answer, or not at all.
    """

    def __init__(self, names: Sequence[bytes], together: Iterable[Sequence[bytes]], limits: AgentLimits) -> None:
        self.values: dict[bytes, Varbind] = {}
        self.refused: set[bytes] = set()
        self.spoilt: set[bytes] = set()
        self._limits = limits
        self._wanted = [name for name in dict.fromkeys(names) if name not in limits.lacking]
        self.size = len(self._wanted)
        self._groups = _merged(together)
        self._torn: list[frozenset[bytes]] = []
        self._timed = SYS_UP_TIME in self._wanted
        self._uptime: Varbind | None = None
        self._untimed = False
        self._room = limits.get.room
        self._failed: list[Part] = []
        self._check: bytes | None = None
        self._proven = 0
        self._doubting = self._lost = False

    def part(self) -> Part:
        """The names of the next request; empty when all is answered."""
        if self._check is not None:
            return (self._check,)
        if not self._wanted:
            return (SYS_UP_TIME,) if self._untimed and self._timed else ()
        room = max(1, min(self._room, NAMES_MAX))
        head = (SYS_UP_TIME,) if self._timed and room > 1 else ()
        return self._filled(head, room) or self._whole_group()

    def _filled(self, head: Part, room: int) -> Part:
        """As many names as there is room for, groups whole; empty where nothing fits beside the head."""
        part = list(head)
        for unit in self._units():
            if len(part) + len(unit) <= room:
                part += [name for name in unit if name not in part]
        return tuple(part) if len(part) > len(head) or self._wanted == list(head) else ()

    def _whole_group(self) -> Part:
        """A group for which there is no room: tried whole if that size was not tried yet, else name by name."""
        unit = next(unit for unit in self._units() if len(unit) > 1)
        head = (SYS_UP_TIME,) if self._timed else ()
        untried = min((self._limits.get.fails, *map(len, self._failed)))
        for part in ((*head, *(name for name in unit if name not in head)), unit):
            if len(part) < untried:
                return part
        self._torn.append(frozenset(unit))
        return (unit[0],)

    def _units(self) -> list[Part]:
        """The wanted names, those of a group beside one another, in the order in which they are wanted."""
        units: dict[Part, None] = {}
        for name in self._wanted:
            group = self._group(name)
            units[tuple(one for one in self._wanted if one in group) if group else (name,)] = None
        return list(units)

    def _group(self, name: bytes) -> frozenset[bytes] | None:
        return next((group for group in self._groups if name in group and group not in self._torn), None)

    def answered(self, part: Part, varbinds: Sequence[Varbind]) -> None:
        """An answer without an error. Raises Restarted."""
        limits = self._limits
        # The first of several values of one name counts. Our own names are kept, not those of the answer: a fleet of
        # printers shares them.
        by_name = {varbind.oid: varbind for varbind in reversed(varbinds)}
        found = {name: by_name[name] for name in part if name in by_name}
        if self._check is not None:
            self._checked(there=part[0] in found)
        self._time(found)
        if found and all(varbind.absent for varbind in found.values()) and self._doubts(part):
            return
        # One of a group that was asked for alone, to try an error-index, is asked for again with the others.
        self._keep({name: varbind for name, varbind in found.items() if self._whole(name, found)})
        if len(found) < len(part):
            limits.note(_why_missing(part, varbinds))
            self.failed(part, len(found))
            return
        if tuple(varbind.oid for varbind in varbinds[: len(part)]) != part:
            limits.note(Habit.OTHER_ORDER)
        limits.get.worked(len(part))
        self._proven = max(self._proven, len(part))
        self._room = self._room if self._failed else limits.get.room

    def _doubts(self, part: Part) -> bool:
        """Some agents lack all of it where they lack one: then not even the system group is there, which every agent
        has (RFC 3418 section 2). Who is to blame is found as with an error.
        """
        self._doubting = self._doubting or any(name.startswith(SYSTEM_GROUP) for name in part if len(part) > 1)
        if not self._doubting:
            return False
        if len(part) == 1:
            self.refuse(part[0], for_good=True, spoilt=False)
        else:
            self.failed(part)
        return True

    def _whole(self, name: bytes, found: dict[bytes, Varbind]) -> bool:
        group = self._group(name)
        return group is None or all(one in found for one in self._wanted if one in group)

    def _keep(self, found: dict[bytes, Varbind]) -> None:
        self.values |= found
        self._wanted = [name for name in self._wanted if name not in found]

    def _time(self, found: dict[bytes, Varbind]) -> None:
        uptime = found.get(SYS_UP_TIME)
        if uptime is None:
            self._untimed = True
            return
        self._untimed = False
        if self._uptime is not None and _went_back(self._uptime, uptime):
            raise Restarted
        self._uptime = uptime

    def failed(self, part: Part, room: int = 0, *, lost: bool = False) -> None:
        """All of it was asked for and not all of it came; nothing says what is to blame: its size, or a name in it.

        ``lost``: nothing came, or nothing that can be read.
        """
        self._lost = self._lost or lost
        if len(part) == 1:
            self.refuse(part[0], for_good=True, spoilt=True)
            return
        self._failed.append(part)
        self._room = room or len(part) // 2

    def too_big(self, part: Part) -> None:
        self._limits.note(Habit.FEW_AT_ONCE)
        self._limits.get.failed(len(part), self._proven)
        self._room = self._limits.get.room

    def blamed(self, part: Part, name: bytes, *, missing: bool) -> None:
        """The agent refuses all of it for the sake of one name, which it may lack (RFC 1157 section 4.1.2)."""
        limits = self._limits
        if len(part) == 1:
            self.refuse(name, for_good=missing or bool(self._failed), spoilt=not missing)
        elif limits.index_right is False:
            self.failed(part)
        elif limits.index_right is None or name == SYS_UP_TIME:
            # An index is believed once its first victim, asked for alone, is refused as well.
            self._check = name
        else:
            self.refuse(name, for_good=missing, spoilt=not missing)

    def _checked(self, *, there: bool) -> None:
        self._check = None
        self._limits.index_right = not there
        if there:
            self._limits.note(Habit.WRONG_ERROR_INDEX)
            self._room = max(1, min(self._room, len(self._wanted) + 1) // 2)

    def refuse(self, name: bytes, *, for_good: bool, spoilt: bool) -> None:
        """It is not asked for again in this read; nor in later ones, ``for_good`` or where that repeats itself."""
        limits = self._limits
        if self._check == name:
            self._checked(there=False)
        limits.refuse(name, for_good=for_good)
        self.refused.add(name)
        if spoilt:
            self.spoilt.add(name)
        self._wanted = [one for one in self._wanted if one != name]
        if name == SYS_UP_TIME:
            self._timed = False
        if not self._unexplained():
            self._failed.clear()
            self._room = limits.get.room

    def _unexplained(self) -> list[Part]:
        return [part for part in self._failed if self.refused.isdisjoint(part)]

    def finish(self) -> None:
        """Draw the lessons. A part that failed although each of its names is answered was too large."""
        if self._doubting and any(not varbind.absent for varbind in self.values.values()):
            self._limits.note(Habit.ALL_OR_NOTHING)
        for part in self._unexplained():
            self._limits.get.failed(len(part), self._proven)
            self._limits.note(Habit.LARGE_ANSWERS_LOST if self._lost else Habit.FEW_AT_ONCE)
        for group in self._torn:
            if self.refused.isdisjoint(group):
                self._limits.note(Habit.SUM_TOO_LARGE)
            for name in group:
                self.values.pop(name, None)


def _merged(together: Iterable[Sequence[bytes]]) -> list[frozenset[bytes]]:
    """Groups that share a name are one."""
    merged: list[frozenset[bytes]] = []
    for names in together:
        group = frozenset(names)
        if len(group) < 2:
            continue
        for other in [one for one in merged if not one.isdisjoint(group)]:
            merged.remove(other)
            group |= other
        merged.append(group)
    return merged


def _why_missing(part: Part, varbinds: Sequence[Varbind]) -> Habit:
    if not varbinds:
        return Habit.NO_VALUES
    return Habit.SHORT_ANSWERS if len(varbinds) < len(part) else Habit.OTHER_NAMES


def _went_back(before: Varbind, after: Varbind) -> bool:
    """By the modulo circle: a wrap after 497 days is no restart (RFC 2578 section 7.1.8)."""
    if before.absent or after.absent:
        return False
    try:
        return (number(after) - number(before)) % UPTIME_MODULUS >= UPTIME_MODULUS // 2
    except DecodeError:
        return False
