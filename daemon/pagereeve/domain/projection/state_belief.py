"""Whether a printer's state is of use: it is not, once it stays busy while the count stands where it should."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.values.records import dataclass

# So many rests in a row decide: once is an accident.
ALIKE: Final = 2


@dataclass(frozen=True, slots=True, order=True)
class Rested:
    """The count stood from ``from_us`` on and ended windows; ``by_count``: the state stayed busy meanwhile."""

    from_us: int
    by_count: bool


def rests_seen(windows: Iterable[Window]) -> Iterator[Rested]:
    """Rests that ended a window in which the meter had moved; several windows may end at one."""
    for window in windows:
        if window.closing == "rested" and window.rest_from_us is not None:
            yield Rested(window.rest_from_us, window.by_count)


def state_believed(rested: Iterable[Rested], *, in_force: bool) -> bool:
    """What the last rests say, in any order; what is in force stays so where they contradict one another."""
    by_time = {one.from_us: one.by_count for one in sorted(rested)}
    latest = [by_time[from_us] for from_us in sorted(by_time)][-ALIKE:]
    if len(latest) < ALIKE or any(latest) != all(latest):
        return in_force
    return not latest[0]
