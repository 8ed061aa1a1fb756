"""What makes an export add up: the period, what it was made from, and how its pages follow from the meters' figures.

It lies beside a file of rows alone (the sidecar), in a sheet of a workbook, or in the same JSON.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from pagereeve.domain.accounts.adjustment_rows import Adjusted
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod
from pagereeve.domain.accounts.sites_behind import SiteBehind
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.seal import SealHead
from pagereeve.reports.closing import closed_json
from pagereeve.reports.seal import head_json
from pagereeve.reports.sites_behind import site_json
from pagereeve.reports.totals import accounts_json, adjusted_json, edge_json, period_json

ZoneFrom = Literal["option", "settings", "default", "close"]

LINES: Final = {
    "meter_start": "the meter's figure at the last cut before the period began; empty: no stretch has it",
    "meter_end": "the meter's figure at the last cut before it ended",
    "meter_restarts": "what these figures lack where another run of the meter began, or it wrapped",
    "over_start": "counted in the period, of releases that started before it (below 0)",
    "over_end": "of releases that started in the period, counted after it",
    "counted": "meter_end - meter_start + meter_restarts + over_start + over_end",
    "conserved": "whether people and house accounts received what was counted",
    "prints_alone": "the meter counts prints and nothing else: how many copies came out nobody knows",
    "pages_waiting": "counted since the last cut, in no account yet; empty: not known",
    "releases_waiting": "releases of the period that are not judged yet",
}


@dataclass(frozen=True, slots=True)
class Made:
    """What an export was made from: ``seal`` is the head of the journal, None where nothing is in it; ``database`` the
    version of the time zone database. Of a closed period all are those of its close: the same file is made again.
    """

    period: Period
    by: ExportBy
    seal: SealHead | None
    database: str
    zone_from: ZoneFrom
    closed: ClosedPeriod | None = None
    sites_behind: Sequence[SiteBehind] = ()

    def body(self) -> dict[str, Any]:
        members: dict[str, Any] = {
            "period": period_json(self.period) | {"zone_from": self.zone_from, "zone_database": self.database},
            "by": self.by,
            "seal": None if self.seal is None else head_json(self.seal),
        }
        if self.closed is not None:
            one = self.closed.closing
            members["seal"] = {"origin": one.journal, "size": one.size, "head": one.head}
            members["closed"] = closed_json(self.closed)
        if self.sites_behind:
            members["sites_behind"] = [site_json(one) for one in self.sites_behind]
        return members


@dataclass(frozen=True, slots=True)
class Account:
    """``differences``: domain.accounts.export_rows.Adding.differences, empty where the rows add up to the meters.
    ``adjusted``: what corrects earlier closed periods, which ``accounts`` do not hold.
    """

    accounts: AccountsOfPeriod
    differences: Mapping[tuple[str, str], int]
    adjusted: Sequence[Adjusted] = ()

    def body(self) -> dict[str, Any]:
        return {
            "adds_up": not self.differences,
            "differences": [
                {"channel": channel, "unit": unit or None, "pages": pages}
                for (channel, unit), pages in self.differences.items()
            ],
            "accounts": [accounts_json(line) for line in self.accounts.lines],
            "adjusted": [adjusted_json(one) for one in self.adjusted],
            "edges": [edge_json(one) for one in self.accounts.edges],
        }
