"""How instants and figures are written for whoever reads a sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Self
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local
from pagereeve.domain.values.amounts import Figure


@dataclass(frozen=True, slots=True)
class Writing:
    """``at`` writes an instant to the millisecond, ``second`` one to the second; both are in the reader's zone."""

    at: Callable[[int], str]
    second: Callable[[int], str]
    figure: Figure

    @classmethod
    def of_commands(cls, zone: ZoneInfo) -> Self:
        """Figures as digits alone and offsets as numbers: as other programs read them too."""
        return cls(
            lambda at_us: local(at_us, zone).isoformat(sep=" ", timespec="milliseconds"),
            lambda at_us: local(at_us, zone).isoformat(sep=" ", timespec="seconds"),
            str,
        )

    def pages(self, figure: int | None) -> str:
        return "unknown" if figure is None else self.figure(figure)
