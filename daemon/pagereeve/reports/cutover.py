"""The cutover list: which printers are ready, and what each of the others lacks. As a table, CSV and JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final

from rich.table import Table
from rich.text import Text

from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.readiness import Lack, PortLook, PrinterLook, ProofKnown, Standing, lacks_of, standing_of
from pagereeve.reports.exports.csv_file import CsvForm, csv_table

COLUMNS: Final = (
    "gateway",
    "printer",
    "place",
    "addresses",
    "print_port",
    "web_port",
    "meter",
    "model",
    "serial",
    "total",
    "proven",
    "standing",
    "lacks",
)
PROOFS: Final[dict[ProofKnown, str]] = {
    "noted": "yes",
    "by-entry": "yes, says the entry",
    "by-model": "of its model",
    "never": "never",
    "not-known": "not known",
}
STYLES: Final[dict[Standing, str]] = {"ready": "green", "only-unproven": "yellow", "not-ready": "bold red"}
STANDING_WORDS: Final[dict[Standing, str]] = {
    "ready": "ready",
    "only-unproven": "never proven",
    "not-ready": "not ready",
}


def summary_text(looks: Sequence[PrinterLook]) -> str:
    """How many are ready, and of the others how many lack what, the most frequent first."""
    lacks = [lacks_of(one) for one in looks]
    standings = Counter(standing_of(one) for one in lacks)
    number = "1 printer" if len(looks) == 1 else f"{len(looks)} printers"
    unproven, bad = standings["only-unproven"], standings["not-ready"]
    lines = [f"{number}: {standings['ready']} ready, {unproven} ready but for a proof, {bad} not ready."]
    parts = Counter(part for one in lacks for part in dict.fromkeys(lack.part for lack in one))
    if parts:
        lines.append("Missing: " + ", ".join(f"{part} {count}" for part, count in parts.most_common()) + ".")
    return "\n".join(lines)


def cutover_tables(looks: Sequence[PrinterLook]) -> list[Table]:
    """One for each gateway, those with the most printers that are not ready first. Text from outside is no markup."""
    groups: dict[str, list[PrinterLook]] = {}
    for one in looks:
        groups.setdefault(one.gateway, []).append(one)
    ordered = sorted(groups.items(), key=lambda one: (-sum(_bad(each) for each in one[1]), one[0]))
    return [_table(gateway, group) for gateway, group in ordered]


def _bad(one: PrinterLook) -> bool:
    return standing_of(lacks_of(one)) != "ready"


def _table(gateway: str, group: Sequence[PrinterLook]) -> Table:
    ready = sum(not _bad(one) for one in group)
    title = f"gateway {visible(gateway)}" if gateway else "no gateway"
    table = Table(title=Text(f"{title}: {ready} of {len(group)} ready"), title_justify="left")
    for head in ("printer", "place", "print", "web", "meter", "model", "proven", "what to do"):
        table.add_column(head, overflow="fold")
    for one in sorted(group, key=lambda each: (not _bad(each), each.printer)):
        lacks = lacks_of(one)
        standing = standing_of(lacks)
        table.add_row(
            Text(visible(one.printer), style=STYLES[standing]),
            Text(visible(one.place)),
            Text(_port(one.print_port)),
            Text(_port(one.web_port)),
            Text(visible(_meter(one))),
            Text(visible(one.model[:40])),
            Text(_proven(one)),
            Text(visible(_do(lacks))),
        )
    return table


def _port(seen: PortLook | None) -> str:
    return "-" if seen is None else f"{seen.port} {seen.reach}"


def _meter(one: PrinterLook) -> str:
    if one.by_panel:
        return "panel, not asked"
    if not one.addresses:
        return "not asked"
    if one.meter_trouble:
        return one.meter_reason or one.meter_trouble
    return "answers" if one.total is None else f"{one.total}"


def _proven(one: PrinterLook) -> str:
    return PROOFS[one.proof] if one.proven_us is None else to_text(one.proven_us)[:10]


def _do(lacks: Sequence[Lack]) -> str:
    return "" if not lacks else f"{lacks[0].part} {lacks[0].text}: {lacks[0].do}"


def cutover_csv(looks: Iterable[PrinterLook], *, bom: bool = False) -> str:
    """A line for each printer, in the order of the settings; what spreadsheets take for formulas is guarded."""
    rows = []
    for one in looks:
        lacks = lacks_of(one)
        rows.append(
            (
                one.gateway,
                one.printer,
                one.place,
                " ".join(one.addresses),
                None if one.print_port is None else _port(one.print_port),
                None if one.web_port is None else _port(one.web_port),
                "panel, not asked"
                if one.by_panel
                else one.meter_reason
                if one.meter_trouble
                else "answers"
                if one.addresses
                else "not asked",
                one.model,
                one.serial,
                one.total,
                _proven(one),
                STANDING_WORDS[standing_of(lacks)],
                "; ".join(f"{lack.part} {lack.text}" for lack in lacks),
            )
        )
    return csv_table(COLUMNS, rows, CsvForm(bom=bom))


def cutover_json(looks: Sequence[PrinterLook]) -> dict[str, Any]:
    """``standing`` is ``ready``, ``only-unproven`` or ``not-ready``."""
    standings = Counter(standing_of(lacks_of(one)) for one in looks)
    return {
        "printers_asked": len(looks),
        "ready": standings["ready"],
        "only_unproven": standings["only-unproven"],
        "not_ready": standings["not-ready"],
        "printers": [_json(one) for one in looks],
    }


def _json(one: PrinterLook) -> dict[str, Any]:
    lacks = lacks_of(one)
    return {
        "printer": one.printer,
        "gateway": one.gateway,
        "place": one.place,
        "addresses": list(one.addresses),
        "gateway_addresses": None if one.gateway_addresses is None else list(one.gateway_addresses),
        "print_port": _port_json(one.print_port),
        "web_port": _port_json(one.web_port),
        "meter": {
            "answers": bool(one.addresses) and not one.meter_trouble,
            "reason": one.meter_reason,
            "total": one.total,
        },
        "model": one.model,
        "serial": one.serial,
        "proof": {"known": one.proof, "at": None if one.proven_us is None else to_text(one.proven_us)},
        "standing": standing_of(lacks),
        "lacks": [{"part": lack.part, "text": lack.text, "do": lack.do} for lack in lacks],
    }


def _port_json(seen: PortLook | None) -> dict[str, Any] | None:
    return None if seen is None else {"port": seen.port, "reach": seen.reach, "detail": seen.detail}
