"""Small facts of printers: object, type, value, and what the daemon must make of them.

Figures marked *recorded* were read from a real printer of that kind; the others are invented for objects of which no
recording is at hand. Identities are invented throughout.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pagereeve.domain.facts.reading import SilenceReason, Unit
from tests.snmp_agents import Mib, counter, name, printer_mib, small, text, ticks

LIFE = "1.3.6.1.2.1.43.10.2.1.4"
UNIT = "1.3.6.1.2.1.43.10.2.1.3"
ENTERPRISES = "1.3.6.1.4.1"
HP = f"{ENTERPRISES}.11.2.3.9.4.2.1.4.1.2"
XEROX = f"{ENTERPRISES}.253.8.53.13.2.1.6"
LEXMARK = f"{ENTERPRISES}.641.6.4.2.1.1"
BROTHER = f"{ENTERPRISES}.2435.2.3.9.4.2.1.5.5.10.0"
KONICA = f"{ENTERPRISES}.18334.1.1.1.5.7.2"
SHARP = f"{ENTERPRISES}.2385.1.1.19.2.1"
RICOH = f"{ENTERPRISES}.367.3.2.1.2.19.5.1"
KYOCERA = f"{ENTERPRISES}.1347.42"
CANON = f"{ENTERPRISES}.1602.1.11"
PANTUM = f"{ENTERPRISES}.40093.1.1.3"
PWG = f"{ENTERPRISES}.2699.1.3.1"

IMPRESSIONS, SHEETS = Unit.IMPRESSIONS, Unit.SHEETS


@dataclass(frozen=True)
class Known:
    """``counts`` are all channels found, with their unit (None: nobody knows it); ``reason`` why no reading.

    ``contradicts``: the maker's objects contradict the total.
    """

    mib: Mib
    counts: Mapping[str, tuple[int, Unit | None]] = field(default_factory=dict)
    reason: SilenceReason | None = None
    contradicts: bool = False


def of_maker(object_id: str, more: Mib, *, count: int | None = None, unit: int = 7) -> Mib:
    """A printer of that sysObjectID; without ``count`` it has no prtMarkerLifeCount."""
    mib = printer_mib(count or 0, unit=unit)
    if count is None:
        for column in (LIFE, UNIT):
            del mib[f"{column}.1.1"]
    return mib | {"1.3.6.1.2.1.1.2.0": name(f"{ENTERPRISES}.{object_id}")} | more


def bare(more: Mib) -> Mib:
    """An agent of which little is known: no identity, no units."""
    return {"1.3.6.1.2.1.1.3.0": ticks(41_956_200)} | more


def named_rows(labels: Mapping[str, tuple[str, int]]) -> Mib:
    rows: Mib = {}
    for index, (label, value) in labels.items():
        rows[f"{SHARP}.4.{index}"] = text(label)
        rows[f"{SHARP}.3.{index}"] = counter(value)
    return rows


def typed_rows(table: str, kind: int, value: int, rows: Mapping[int, int], prefix: str = "") -> Mib:
    """Type and value columns of a table whose rows are found by type."""
    mib: Mib = {}
    for row, (label, count) in enumerate(rows.items(), 1):
        mib[f"{table}.{kind}.{prefix}{row}"] = small(label)
        mib[f"{table}.{value}.{prefix}{row}"] = counter(count)
    return mib


def records(*figures: tuple[int, int], end: bytes = b"\xff") -> bytes:
    return b"".join(bytes((tag, 1, 4)) + value.to_bytes(4, "big") for tag, value in figures) + end


PRINTERS: dict[str, Known] = {
    # Recorded: the standard's own counts, by unit.
    "standard-impressions": Known(of_maker("1248.1.1.2", {}, count=931), {"total": (931, IMPRESSIONS)}),
    "standard-sheets": Known(of_maker("1602.4.3", {}, count=21_588, unit=8), {"total": (21_588, SHEETS)}),
    "standard-hours": Known(
        of_maker("1248.1.1.2", {}, count=12, unit=11), {"total": (12, None)}, SilenceReason.UNIT_NOT_USABLE
    ),
    "no-unit": Known(bare({f"{LIFE}.1.1": counter(4191)}), {"total": (4191, None)}),
    "index-0": Known(printer_mib(77, device=0), {"total": (77, IMPRESSIONS)}),
    "one-index": Known(bare({f"{LIFE}.1": counter(35_136), f"{UNIT}.1": small(7)}), {"total": (35_136, IMPRESSIONS)}),
    # Recorded: records of an octet string, without any sysObjectID.
    "brother-all": Known(
        bare(
            {
                f"{LIFE}.1.1": counter(3384),
                BROTHER: text(records((0, 3384), (2, 3199), (1, 185), (6, 1445), (8, 1439), (7, 6))),
            }
        ),
        {
            "total": (3384, IMPRESSIONS),
            "mono": (185, IMPRESSIONS),
            "colour": (3199, IMPRESSIONS),
            "duplex": (1445, None),
        },
    ),
    "brother-without-total": Known(
        bare({BROTHER: text(records((1, 461), (2, 491)))}),
        {"total": (952, IMPRESSIONS), "mono": (461, IMPRESSIONS), "colour": (491, IMPRESSIONS)},
    ),
    "brother-without-end": Known(bare({BROTHER: text(records((0, 333), end=b""))}), {"total": (333, IMPRESSIONS)}),
    # Recorded: rows that name themselves, on a colour and on a mono device.
    "sharp-colour": Known(
        of_maker(
            "2385.3.1.112.1.2",
            named_rows(
                {
                    "1.4.60": ("Prints", 82_214),
                    "1.4.75": ("Duplex", 41_020),
                    "4.4.60": ("Copies", 38_804),
                    "5.4.61": ("Black & White Total Count", 91_164),
                    "5.4.63": ("Full Color Total Count", 29_940),
                    "5.4.64": ("Two Color Total Count", 0),
                    "7.4.50": ("Scan to E-mail/FTP", 13_534),
                }
            ),
            count=121_104,
        ),
        {
            "total": (121_104, IMPRESSIONS),
            "mono": (91_164, IMPRESSIONS),
            "colour": (29_940, IMPRESSIONS),
            "prints": (82_214, IMPRESSIONS),
            "copies": (38_804, IMPRESSIONS),
            "duplex": (41_020, None),
        },
    ),
    # Recorded: printed and copied, each black and colour, add up; the life count is 11 higher and has no unit.
    "xerox-colour": Known(
        bare(
            {
                f"{LIFE}.1.1": counter(30_745),
                f"{XEROX}.1.20.7": small(16_733),
                f"{XEROX}.1.20.29": small(10_272),
                f"{XEROX}.1.20.33": small(10_999),
                f"{XEROX}.1.20.34": small(19_735),
                f"{XEROX}.103.20.3": small(3002),
                f"{XEROX}.103.20.25": small(727),
            }
        ),
        {
            "total": (30_734, IMPRESSIONS),
            "mono": (19_735, IMPRESSIONS),
            "colour": (10_999, IMPRESSIONS),
            "prints": (27_005, IMPRESSIONS),
            "copies": (3729, IMPRESSIONS),
        },
    ),
    # Invented figures from here on, but for the rows of the paper sizes.
    "hp-laser": Known(
        of_maker(
            "11.2.3.9.1",
            {f"{HP}.5.0": small(5000), f"{HP}.6.0": small(3900), f"{HP}.7.0": small(1100), f"{HP}.22.0": small(800)},
            count=5000,
        ),
        {
            "total": (5000, IMPRESSIONS),
            "mono": (3900, IMPRESSIONS),
            "colour": (1100, IMPRESSIONS),
            "duplex": (800, SHEETS),
        },
    ),
    "kyocera-sizes": Known(
        # Tylan/check_snmp_printer#13: rows 15341, 16, 2 are 15359.
        of_maker("1347.41", {f"{KYOCERA}.2.1.1.1.6.1.{row}": counter(n) for row, n in ((1, 15_341), (2, 16), (3, 2))}),
        {"total": (15_359, IMPRESSIONS)},
    ),
    "ricoh-table": Known(
        of_maker(
            "367.1.1",
            typed_rows(RICOH, 2, 9, {10: 9000, 200: 2000, 300: 50, 400: 6900}),
            count=9000,
            unit=8,
        ),
        {"total": (9000, SHEETS), "prints": (6900, None), "copies": (2000, None), "faxes": (50, None)},
    ),
    "lexmark-table": Known(
        of_maker("641.2.71107013", typed_rows(LEXMARK, 2, 4, {1: 4010, 2: 4000, 3: 3000, 4: 1000}, "1."), count=4010),
        {
            "total": (4010, IMPRESSIONS),
            # 3000 + 1000 is the total but for misfeeds: they count what it counts.
            "mono": (3000, IMPRESSIONS),
            "colour": (1000, IMPRESSIONS),
            "picked": (4010, None),
        },
    ),
    "canon-names": Known(
        of_maker(
            "1602.4.7",
            {
                f"{CANON}.2.1.1.2.1": text("Total 1\0"),
                f"{CANON}.2.1.1.3.1": counter(700),
                f"{CANON}.2.1.1.2.2": text("Print (Total 1)"),
                f"{CANON}.2.1.1.3.2": counter(600),
            },
        ),
        {"total": (700, None), "prints": (600, None)},
    ),
    "konica-functions": Known(
        of_maker(
            "18334.1.1.1.2.1.181.2.4",
            {
                f"{KONICA}.1.1.0": small(1000),
                f"{KONICA}.2.1.5.1.1": small(100),
                f"{KONICA}.2.1.5.1.2": small(500),
                f"{KONICA}.2.1.5.2.1": small(50),
                f"{KONICA}.2.1.5.2.2": small(350),
            },
            count=1000,
        ),
        {
            "total": (1000, IMPRESSIONS),
            "mono": (600, IMPRESSIONS),
            "colour": (400, IMPRESSIONS),
            "prints": (850, IMPRESSIONS),
            "copies": (150, IMPRESSIONS),
        },
    ),
    "pantum-scalars": Known(
        of_maker("40093.10.1", {f"{PANTUM}.12.1": small(35_133), f"{PANTUM}.9.1": small(3)}, count=35_136),
        {"total": (35_136, IMPRESSIONS), "prints": (35_133, IMPRESSIONS), "copies": (3, IMPRESSIONS)},
    ),
    "imaging-counters": Known(
        of_maker(
            "99999.1.7",
            {
                f"{PWG}.3.1.1.3.3.1": small(5),
                f"{PWG}.3.1.1.3.4.1": small(8),
                f"{PWG}.3.1.1.3.11.1": small(9),
                f"{PWG}.8.1.1.4.5.3.3": small(2000),
                f"{PWG}.8.1.1.5.5.3.3": small(1500),
                f"{PWG}.8.1.1.6.5.3.3": small(100),
                f"{PWG}.8.1.1.7.5.3.3": small(400),
                f"{PWG}.10.1.1.4.5.3.3": small(1300),
                f"{PWG}.8.1.1.4.9.3.3": small(1700),
                f"{PWG}.8.1.1.4.8.3.3": small(300),
            },
            count=2000,
        ),
        {
            "total": (2000, IMPRESSIONS),
            "mono": (1500, IMPRESSIONS),
            "blank": (100, IMPRESSIONS),
            "colour": (400, IMPRESSIONS),
            "sheets": (1300, SHEETS),
            "prints": (1700, IMPRESSIONS),
            "copies": (300, IMPRESSIONS),
        },
    ),
    # fusioninventory/fusioninventory-agent#638: a part larger than the total is a wrong mapping.
    "wrong-mapping": Known(
        of_maker("11.2.3.9.1", {f"{HP}.6.0": small(229_262), f"{HP}.7.0": small(10)}, count=50_452),
        {"total": (50_452, IMPRESSIONS)},
        contradicts=True,
    ),
    # fusioninventory/fusioninventory-agent#734: NULL for a maker's object is no count.
    "null-for-everything": Known(
        of_maker("11.2.3.9.1", {f"{HP}.{n}.0": (5, b"") for n in (5, 6, 7, 22)}, count=764),
        {"total": (764, IMPRESSIONS)},
    ),
    # A complete marker row whose life count stands at 0 for good, as an ink device's was recorded.
    "dead-zero": Known(
        of_maker(
            "11.2.3.9.1", {f"{HP}.5.0": small(15_000), f"{HP}.6.0": small(11_000), f"{HP}.7.0": small(4000)}, count=0
        ),
        {"total": (15_000, IMPRESSIONS), "mono": (11_000, IMPRESSIONS), "colour": (4000, IMPRESSIONS)},
    ),
    "dead-zero-and-no-total": Known(
        of_maker("11.2.3.9.1", {f"{HP}.6.0": small(11_000), f"{HP}.7.0": small(4000)}, count=0),
        {"total": (15_000, IMPRESSIONS), "mono": (11_000, IMPRESSIONS), "colour": (4000, IMPRESSIONS)},
    ),
    "new-printer": Known(
        of_maker("11.2.3.9.1", {f"{HP}.5.0": small(0), f"{HP}.6.0": small(0), f"{HP}.7.0": small(0)}, count=0),
        {"total": (0, IMPRESSIONS), "mono": (0, IMPRESSIONS), "colour": (0, IMPRESSIONS)},
    ),
    "makers-total-of-seven": Known(
        of_maker("11.2.3.9.1", {f"{HP}.5.0": small(7)}, count=15_232, unit=0), {"total": (15_232, None)}
    ),
    "two-totals": Known(
        of_maker("11.2.3.9.1", {f"{HP}.5.0": small(15_232)}, count=5000), {"total": (5000, IMPRESSIONS)}
    ),
    "unit-by-colours": Known(
        of_maker("11.2.3.9.1", {f"{HP}.6.0": small(3900), f"{HP}.7.0": small(1098)}, count=5000, unit=0),
        {"total": (5000, IMPRESSIONS), "mono": (3900, IMPRESSIONS), "colour": (1098, IMPRESSIONS)},
    ),
    "unit-by-second-total": Known(
        of_maker("11.2.3.9.1", {f"{HP}.5.0": small(5000)}, count=5000, unit=0), {"total": (5000, IMPRESSIONS)}
    ),
    # 900 sheets were printed on both sides: 1,000 steps are too few to be sides.
    "unit-by-two-sided": Known(
        of_maker("11.2.3.9.1", {f"{HP}.22.0": small(900)}, count=1000, unit=0),
        {"total": (1000, SHEETS), "duplex": (900, SHEETS)},
    ),
    # A list's word for what may be scans costs nothing else its place.
    "hearsay-falls-alone": Known(
        of_maker(
            "18334.1.1.1.2.1.181.2.4",
            {f"{KONICA}.1.2.0": small(90_000), f"{KONICA}.2.1.5.1.1": small(100), f"{KONICA}.2.1.5.1.2": small(900)},
            count=1000,
        ),
        {
            "total": (1000, IMPRESSIONS),
            "mono": (1000, IMPRESSIONS),
            "prints": (900, IMPRESSIONS),
            "copies": (100, IMPRESSIONS),
        },
        contradicts=True,
    ),
    "prints-alone": Known(
        of_maker("40093.10.1", {f"{PANTUM}.12.1": small(35_133), f"{PANTUM}.9.1": small(3)}),
        {"prints": (35_133, IMPRESSIONS), "copies": (3, IMPRESSIONS)},
    ),
    "makers-printer-without-counts": Known(
        {"1.3.6.1.2.1.1.2.0": name(f"{ENTERPRISES}.2385.3.1.63.1.5"), "1.3.6.1.2.1.1.3.0": ticks(9)},
        reason=SilenceReason.NO_METER,
    ),
    "a-box": Known({"1.3.6.1.2.1.1.2.0": name(f"{ENTERPRISES}.99999.2.1")}, reason=SilenceReason.WRONG_RESPONDER),
}
