"""A printer's own counters over IPP: from one answer of Get-Printer-Attributes to what a reading shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.reading import OF_IPP, Count, Counter, Sight, Unit, UnitGrade
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.ipp.message import IppAnswer
from pagereeve.meters.ipp.printer_state import errors_of, state_of
from pagereeve.ports.meter import MeterTarget

UP_TIME, STATE = "printer-up-time", "printer-state"
IMPRESSIONS, SHEETS, PAGES = (
    "printer-impressions-completed",
    "printer-media-sheets-completed",
    "printer-pages-completed",
)
REASONS, UUID, DEVICE_ID, MODEL = "printer-state-reasons", "printer-uuid", "printer-device-id", "printer-make-and-model"
# RFC 8011 section 5.4, PWG 5100.22 for the counters, PWG 5100.13 for printer-uuid, PWG 5107.2 for printer-device-id.
NUMBERS: Final = (UP_TIME, STATE, IMPRESSIONS, SHEETS, PAGES)
TEXTS: Final = (REASONS, UUID, DEVICE_ID, MODEL)

SOURCE: Final = "PWG 5100.22"
URN: Final = "urn:uuid:"
# Keys of an IEEE 1284 device id under which makers write the serial number (from memory).
SERIAL_KEYS: Final = frozenset({"SN", "SERN", "SERIALNUMBER"})
SERIAL_CHARS_MAX: Final = 255
TICKS_MODULUS: Final = 2**32


@dataclass(frozen=True, slots=True)
class Witnessed:
    """One counter: its channel, and the unit that its own definition says."""

    attribute: str
    channel: str
    unit: Unit


# Pages are those of documents, whatever the copies and the sides: they are shown, and compared with nothing.
COUNTERS: Final = (
    Witnessed(IMPRESSIONS, "total", Unit.IMPRESSIONS),
    Witnessed(SHEETS, "sheets", Unit.SHEETS),
    Witnessed(PAGES, "pages", Unit.UNKNOWN),
)


@dataclass(frozen=True, slots=True)
class Shown:
    """``serial`` is the serial number that the device id has, else the printer's UUID; empty where there is neither."""

    counters: tuple[Counter, ...]
    serial: str
    uuid: str
    model: str
    answer: IppAnswer

    @property
    def billed(self) -> Counter | None:
        """Impressions; sheets where there are none."""
        return next((one for name in ("total", "sheets") for one in self.counters if one.channel == name), None)

    @property
    def uptime_cs(self) -> int | None:
        """As SNMP has it: hundredths of a second on their circle."""
        up_s = self.answer.printer().get(UP_TIME, 0)
        return up_s * 100 % TICKS_MODULUS if up_s > 0 else None

    def sight(self, billed: Counter, target: MeterTarget, responder: str) -> Sight:
        """``target`` may know the unit better than the attribute's definition: the printer was proven."""
        own = billed.channel == "total" and target.unit is not None
        unit, grade = (target.unit or billed.unit, target.unit_grade) if own else (billed.unit, billed.grade)
        numbers = self.answer.printer()
        return Sight(
            counts=((billed.channel, Count(billed.value, unit, billed.modulus, billed.object, grade)),),
            serial=self.serial,
            state=state_of(numbers.get(STATE)),
            errors=errors_of(numbers.get(STATE), self.answer.texts.get(REASONS, ())),
            responder=responder,
            counters=self.counters,
        )

    def is_another(self, wanted: str) -> bool:
        """Whether it can't be the printer of that serial number (or UUID). What is not said contradicts nothing."""
        if not wanted or names_nobody(wanted):
            return False
        said = self.uuid if wanted.startswith(URN) else self.serial.removeprefix(self.uuid)
        return bool(said) and said != wanted


def shown_in(answer: IppAnswer) -> Shown:
    """A count that is negative is none; unknown ones are not in an answer."""
    numbers = answer.printer()
    counters = [
        Counter(OF_IPP + one.attribute, numbers[one.attribute], one.channel, SOURCE, one.unit, _grade(one.unit), 0)
        for one in COUNTERS
        if numbers.get(one.attribute, -1) >= 0
    ]
    uuid = _text(answer, UUID)
    return Shown(
        tuple(sorted(counters, key=lambda one: one.object)),
        _serial_in(_text(answer, DEVICE_ID)) or uuid,
        uuid,
        _text(answer, MODEL),
        answer,
    )


def _grade(unit: Unit) -> UnitGrade:
    return UnitGrade.ASSUMED if unit is Unit.UNKNOWN else UnitGrade.SAID


def _text(answer: IppAnswer, name: str) -> str:
    values = answer.texts.get(name, ())
    return printable(values[0].encode())[:SERIAL_CHARS_MAX] if values else ""


def _serial_in(device_id: str) -> str:
    """Members are KEY:value, each ended by a semicolon (IEEE 1284)."""
    members = (one.partition(":") for one in device_id.split(";"))
    found = next((value.strip() for key, _, value in members if key.strip().upper() in SERIAL_KEYS), "")
    return "" if names_nobody(found) else found
