"""A supplier's bill as it was checked: differences first, then what can't be said, then what agrees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.supplier_bill import (
    Agreement,
    CheckedFigure,
    CheckedLine,
    Match,
    PanelShown,
    Shown,
    Unsaid,
)
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible

ORDER: Final = (Agreement.DIFFERS, Agreement.UNKNOWN, Agreement.AGREES)
HEADINGS: Final = {
    Agreement.DIFFERS: "differ",
    Agreement.UNKNOWN: "can't be said",
    Agreement.AGREES: "agree",
}
WHY: Final = {
    Unsaid.NOTHING: "",
    Unsaid.NO_READING_BEFORE: "the meter was not read before that day began",
    Unsaid.NO_READING_AFTER: "the meter was not read after that day ended",
    Unsaid.METER_CHANGED: "the meter was replaced, reset or wrapped around that day",
    Unsaid.NO_SUCH_CHANNEL: "nothing of this counter was read around that day",
    Unsaid.OTHER_DEVICE: "another device, or none, stood there on that day",
}


def bill_text(lines: Sequence[CheckedLine], zone: ZoneInfo) -> str:
    """For a terminal; the first line has the sums."""
    texts = [bill_sums(lines)]
    for agreement in ORDER:
        some = [one for one in lines if one.agreement is agreement]
        if some:
            texts += ["", f"{_lines(len(some))} {_verb(agreement, len(some))}:"]
            texts += [text for one in some for text in _line_text(one, zone)]
    return "\n".join(texts)


def bill_sums(lines: Sequence[CheckedLine]) -> str:
    counts = {agreement: sum(one.agreement is agreement for one in lines) for agreement in ORDER}
    said = [f"{count} {_verb(agreement, count)}" for agreement, count in counts.items() if count]
    return f"{_lines(len(lines))} of the bill: {', '.join(said)}." if said else "The bill has no lines."


def bill_json(lines: Sequence[CheckedLine]) -> list[dict[str, Any]]:
    return [
        {
            "line": one.line.line,
            "serial": one.line.serial,
            "counter": one.line.channel,
            "agreement": one.agreement.value,
            "serial_number": one.match.value,
            "bills_again": one.again,
            "printers": list(one.printers),
            "pages_billed": one.line.pages,
            "pages_counted": None if one.counted is None else {"least": one.counted[0], "most": one.counted[1]},
            "opening": _figure_json(one.opening),
            "closing": _figure_json(one.closing),
        }
        for one in lines
    ]


def _line_text(one: CheckedLine, zone: ZoneInfo) -> list[str]:
    where = f" ({visible(one.printers[0])})" if one.match is Match.FOUND else ""
    head = f"  line {one.line.line}: {visible(one.line.serial)}{where}, {visible(one.line.channel)}"
    head += "" if one.again is None else f" (bills pages that line {one.again} bills too)"
    if one.match is Match.NOBODY:
        return [f"{head}: no printer gave this serial number on these days; is it in the settings, and was it read?"]
    if one.match is Match.SEVERAL:
        names = ", ".join(visible(name) for name in one.printers)
        return [f"{head}: {len(one.printers)} printers gave this serial number: {names}"]
    pages = f"{head}: {_billed(one.line.pages)}{_counted(one)}"
    ends = [("opening", one.opening), ("closing", one.closing)]
    texts = [pages]
    for name, end in ends:
        if end is not None:
            texts += [f"    {name} {_end_text(end, zone)}", *(f"      {_panel_text(one, zone)}" for one in end.panels)]
    return texts


def _panel_text(panel: PanelShown, zone: ZoneInfo) -> str:
    read = f"read from the panel at {local_text(panel.at_us, zone)}: {panel.figure}"
    if panel.off is None:
        return f"{read}, and the meter was not read around then"
    if not panel.off:
        return f"{read}, as the meter's own readings allow"
    way = "more than the most" if panel.off > 0 else "less than the least"
    return f"{read}, {abs(panel.off)} {way} that the meter's own readings allow: one of the two is wrong"


def _billed(pages: int) -> str:
    return "the closing figure is below the opening one" if pages < 0 else f"{amount(pages, 'page')} billed"


def _counted(one: CheckedLine) -> str:
    if one.counted is None:
        return ""
    least, most = one.counted
    return f", {least} counted" if least == most else f", {least} to {most} counted"


def _end_text(end: CheckedFigure, zone: ZoneInfo) -> str:
    figure = f"{end.billed.figure}"
    if end.agreement is Agreement.UNKNOWN:
        return f"{figure}: can't be said, {WHY[end.why]}"
    readings = " and ".join(f"{one.figure} at {local_text(one.at_us, zone)}" for one in _readings(end))
    who = "the panel, as people read it," if end.by_panel else "the meter"
    if end.agreement is Agreement.AGREES:
        return f"{figure} agrees: {who} showed {readings}"
    way = "more than the most" if end.off > 0 else "less than the least"
    return f"{figure} is {abs(end.off)} {way} that {who} can have shown: {readings}"


def _readings(end: CheckedFigure) -> list[Shown]:
    return [one for one in dict.fromkeys((end.before, end.after)) if one is not None]


def _figure_json(end: CheckedFigure | None) -> dict[str, Any] | None:
    if end is None:
        return None
    return {
        "figure": end.billed.figure,
        "from": to_text(end.billed.from_us),
        "until": to_text(end.billed.until_us),
        "agreement": end.agreement.value,
        "off": end.off,
        "why": end.why.value,
        "before": _shown_json(end.before),
        "after": _shown_json(end.after),
        "by_panel": end.by_panel,
        "panel": [{"figure": one.figure, "at": to_text(one.at_us), "off": one.off} for one in end.panels],
    }


def _shown_json(shown: Shown | None) -> dict[str, Any] | None:
    return None if shown is None else {"figure": shown.figure, "at": to_text(shown.at_us)}


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _verb(agreement: Agreement, count: int) -> str:
    text = HEADINGS[agreement]
    return f"{text}s" if count == 1 and agreement is not Agreement.UNKNOWN else text
