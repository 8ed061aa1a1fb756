"""Wrenfield College, which does not exist: its printers, gateways, people, cost centres and badges, all invented."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from random import Random
from typing import Any, Final, Literal

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.printer.model import PrinterSpec

COLLEGE: Final = "Wrenfield College"

MILLI_US: Final = SECOND_US // 1000

# A college whose printers print a page in a blink needs a policy of the same haste.
HASTY_POLICY: Final = Policy(
    settle_us=1_500 * MILLI_US,
    floor_us=200 * MILLI_US,
    unmoved_us=6 * SECOND_US,
    longest_us=60 * SECOND_US,
    longest_stalled_us=120 * SECOND_US,
    fresh_us=60 * SECOND_US,
    speed_per_minute=3_000,
    fall_back=10,
)


@dataclass(frozen=True, slots=True)
class Place:
    """One printer's place. ``device`` and ``marker`` are its agent's indexes; the rest are rules of its own."""

    printer: str
    gateway: str
    site: str
    spec: PrinterSpec
    device: int = 1
    marker: int = 1
    version: Literal["1", "2c"] = "2c"
    tolerance_pages: int = 0
    badge_within_us: int = 0

    @property
    def policy(self) -> Policy:
        return replace(HASTY_POLICY, tolerance_pages=self.tolerance_pages, badge_within_us=self.badge_within_us)


@dataclass(frozen=True, slots=True)
class CollegePerson:
    """A user of the college. The badge never shows in a repr."""

    login: str
    cost_centre: str
    badge: str = field(repr=False)


def _spec(name: str, serial: str, count: int, per_minute: int, lag_ms: int) -> PrinterSpec:
    return PrinterSpec(
        name=name,
        serial=serial,
        start_count=count,
        impressions_per_minute=per_minute,
        warm_up_us=400 * MILLI_US,
        first_sheet_us=400 * MILLI_US,
        lag_us=lag_ms * MILLI_US,
        counts_at="exit",
        reprints_jammed_sheet=False,
        save_every=10,
        jitter_permille=50,
        buffer_bytes=200_000,
        description="Simulated printer of " + COLLEGE,
    )


PLACES: Final[tuple[Place, ...]] = (
    Place("library-ground", "library", "Library, ground floor", _spec("library-ground", "WC-1001", 41_207, 1_500, 300)),
    Place("library-upper", "library", "Library, upper floor", _spec("library-upper", "WC-1002", 9_654, 1_200, 0), 2),
    Place("science-lab", "science", "Science block, lab", _spec("science-lab", "WC-2001", 120_311, 1_200, 500)),
    Place("science-prep", "science", "Science block, prep room", _spec("science-prep", "WC-2002", 777, 900, 200), 4),
    Place("science-office", "science", "Science block", _spec("science-office", "WC-2003", 55_120, 1_500, 0), 1, 2),
    Place("art-studio", "art", "Art studio", _spec("art-studio", "WC-3001", 2_048, 900, 400), 3, 1, "1"),
    Place("art-print-room", "art", "Art print room", _spec("art-print-room", "WC-3002", 310_400, 1_500, 100)),
    Place("admissions", "offices", "Admissions office", _spec("admissions", "WC-4001", 18_000, 1_200, 300)),
    Place("registry", "offices", "Registry", _spec("registry", "WC-4002", 64_003, 1_200, 0), 1, 1, "1"),
    Place("bursary", "offices", "Bursary", _spec("bursary", "WC-4003", 31_415, 1_500, 200), 7),
)

# The same printers on a long day: one is tolerant, one wants badges, one tells of its jobs, one has a second marker
# that stands, one says no unit and loses neither count nor jobs with its power.
_OTHERWISE: Final[dict[str, dict[str, Any]]] = {
    "admissions": {"tolerance_pages": 1},
    "art-studio": {"badge_within_us": 3 * SECOND_US},
    "library-upper": {"spec": {"save_every": 1, "at_power_cut": "resume-jobs", "says_unit": False}},
    "science-prep": {"spec": {"job_rows": "counted"}},
    "bursary": {"spec": {"still_marker": 2_718}},
}


def _otherwise(place: Place) -> Place:
    changes = dict(_OTHERWISE.get(place.printer, {}))
    spec = replace(place.spec, **changes.pop("spec", {}))
    return replace(place, spec=spec, **changes)


LONG_PLACES: Final = tuple(_otherwise(place) for place in PLACES)

GATEWAYS: Final = tuple(dict.fromkeys(place.gateway for place in PLACES))

_HERBS: Final = (
    *("anise", "birch", "clover", "dill", "elder", "fennel", "ginger", "hazel", "iris", "juniper", "kelp", "larch"),
    *("mallow", "nettle", "oak", "poppy", "quince", "rowan", "sorrel", "thyme", "umbel", "vetch", "willow", "yarrow"),
    "zinnia",
)
_CENTRES: Final = ("cc-humanities", "cc-sciences", "cc-arts", "cc-administration", "cc-students")


def people(seed: int) -> tuple[CollegePerson, ...]:
    """The college's 25 users; badges differ from seed to seed and belong to nobody."""
    numbers = Random(seed).sample(range(10_000_000, 100_000_000), len(_HERBS))
    return tuple(
        CollegePerson(f"user-{herb}", _CENTRES[place % len(_CENTRES)], str(number))
        for place, (herb, number) in enumerate(zip(_HERBS, numbers, strict=True))
    )
