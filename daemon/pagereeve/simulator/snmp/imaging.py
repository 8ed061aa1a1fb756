"""A device's imaging counters as PWG 5106.3 lays them out: services, keys, work types, persistences, alerts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from pagereeve.simulator.snmp.mib import Oid, Row

IMAGING: Final[Oid] = (1, 3, 6, 1, 4, 1, 2699, 1, 3, 1)

# serviceType
SYSTEM_TOTALS, COPY, FAX_IN, PRINT, SCAN = 3, 4, 7, 11, 12
# workType
WORK_TOTALS, DATASTREAM, AUXILIARY, WASTE, MAINTENANCE = 3, 4, 5, 6, 7
# persistence: since installation, since power-on, since an administrator's reset
LIFETIME, POWER_ON, RESET = 3, 4, 5
COUNTER_RESET: Final = 6


@dataclass(frozen=True, slots=True)
class WorkDone:
    """Sides of one kind of work of one service, and the sheets that they took."""

    mono: int = 0
    blank: int = 0
    colour: int = 0
    two_sided: int = 0
    sheets: int = 0

    @property
    def total(self) -> int:
        return self.mono + self.blank + self.colour

    def __add__(self, other: WorkDone) -> WorkDone:
        return WorkDone(
            self.mono + other.mono,
            self.blank + other.blank,
            self.colour + other.colour,
            self.two_sided + other.two_sided,
            self.sheets + other.sheets,
        )


@dataclass(frozen=True, slots=True)
class ServiceDone:
    """One service: its type and index, the key of its counts, and what it did by work type."""

    kind: int
    index: int
    key: int
    work: dict[int, WorkDone]

    @property
    def totals(self) -> WorkDone:
        return sum(self.work.values(), WorkDone())


def imaging_rows(services: list[ServiceDone], system_key: int, resets: tuple[str, ...] = ()) -> list[Row]:
    """All rows of a device with these services; systemTotals are their sum. ``resets`` names counters set to 0."""
    system = ServiceDone(SYSTEM_TOTALS, 1, system_key, {})
    rows = [Row((*IMAGING, 1, 2, 0), "integer", len(services) + 1)]
    for one in (system, *services):
        rows.append(Row((*IMAGING, 2, 1, 1, 2, one.key), "integer", one.kind))
        rows.append(Row((*IMAGING, 3, 1, 1, 3, one.kind, one.index), "integer", one.key))
    everything = sum((one.totals for one in services), WorkDone())
    rows += _counts(system_key, WORK_TOTALS, everything)
    for one in services:
        rows += _counts(one.key, WORK_TOTALS, one.totals)
        for kind, done in one.work.items():
            rows += _counts(one.key, kind, done)
    for number, name in enumerate(resets, 1):
        rows.append(Row((*IMAGING, 13, 1, 1, 4, system_key, number, LIFETIME), "integer", COUNTER_RESET))
        rows.append(Row((*IMAGING, 13, 1, 1, 5, system_key, number, LIFETIME), "octets", name.encode()))
    return rows


def _counts(key: int, work: int, done: WorkDone) -> Iterator[Row]:
    """icImpressionTable, icTwoSidedTable and icSheetTable; what was counted since power-on or a reset starts at 0."""
    shown = ((8, 4, done.total), (8, 5, done.mono), (8, 6, done.blank), (8, 7, done.colour))
    for table, column, value in (*shown, (9, 4, done.two_sided), (10, 4, done.sheets)):
        for persistence in (LIFETIME, POWER_ON, RESET):
            oid = (*IMAGING, table, 1, 1, column, key, work, persistence)
            yield Row(oid, "integer", value if persistence == LIFETIME else 0)
