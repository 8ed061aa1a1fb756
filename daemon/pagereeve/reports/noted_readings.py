"""Noted readings of panels in words, as JSON and as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.panel_check import MeterDistance, shown_text
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.supplier_bill import Shown
from pagereeve.domain.facts.panel import PanelReading
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.noted_readings import Seen
from pagereeve.reports.text import plain

NO_METER: Final = "no reading of a meter around then"


def meter_text(meter: MeterDistance) -> str:
    """How the panel's figure lies beside what the meter showed."""
    if not meter.known:
        return NO_METER
    shown = shown_text(meter)
    if meter.off:
        way = "more than the most" if meter.off > 0 else "less than the least"
        return f"{amount(abs(meter.off), 'page')} {way} that the meter showed around then ({shown})"
    if meter.before is None or meter.after is None:
        return f"not against the meter ({shown})"
    return f"agrees with the meter ({shown})"


def panel_text(panel: PanelReading, zone: ZoneInfo) -> str:
    return f"{panel.figure} ({panel.channel}) read from the panel at {local_text(panel.at_us, zone)}"


def readings_table(seen: Sequence[Seen], zone: ZoneInfo) -> Table:
    table = Table("read", "printer", "channel", "figure", "beside the meter", "state", "by", "id", box=None)
    for one in seen:
        noted = one.panel.noted
        table.add_row(
            local_text(one.panel.at_us, zone),
            plain(noted.printer),
            noted.said.channel,
            str(one.panel.figure),
            meter_text(one.meter),
            _state(one.panel),
            plain(noted.by),
            plain(noted.origin.id),
        )
    return table


def reading_json(seen: Seen) -> dict[str, Any]:
    noted, back = seen.panel.noted, seen.panel.taken_back
    return {
        "id": noted.origin.id,
        "printer": noted.printer,
        "channel": noted.said.channel,
        "figure": seen.panel.figure,
        "read": to_text(seen.panel.at_us),
        "noted": to_text(noted.origin.received_us),
        "by": noted.by,
        "text": noted.said.text,
        "despite": noted.said.despite,
        "meter_before": _shown_json(seen.meter.before),
        "meter_after": _shown_json(seen.meter.after),
        "off": seen.meter.off if seen.meter.known else None,
        "taken_back": None if back is None else to_text(back.origin.received_us),
        "taken_back_by": None if back is None else back.by,
        "taken_back_text": None if back is None else back.said.text,
    }


def _state(panel: PanelReading) -> str:
    back = panel.taken_back
    return "stands" if back is None else f"taken back by {plain(back.by)}"


def _shown_json(shown: Shown | None) -> dict[str, Any] | None:
    return None if shown is None else {"figure": shown.figure, "at": to_text(shown.at_us)}
