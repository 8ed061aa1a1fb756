"""What a person sets for a printer: a fact with a date, so that an old day is judged by its own rules."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.facts.ticket import Ticket, filled
from pagereeve.domain.values.instants import SECOND_US

Charging = Literal["lesser", "counted", "released", "none"]
BlankBacks = Literal["unknown", "counted", "not-counted"]
Copies = Literal["as-ticket", "in-pages"]
NumberUp = Literal["as-ticket", "in-pages"]
SidesMade = Literal["as-ticket", "one-sided"]

# Meters that weigh sizes count a large side twice (docs.cpp.canon M124813, prtMarkerLifeCount); of heavier weights
# nothing is known.
LARGE_WEIGHT_MAX = 2


TICKET_DEFAULTS_MAX = 1_000
# An agent's own word is evidence; a habit is none, and charges only what is the same in sheets and in sides.
NEEDED_DEFAULT: Final = UnitGrade.SAID

_PATIENT_US: Final = 100 * 365 * 86_400 * SECOND_US
_GRADES: Final = tuple(UnitGrade)  # The best first.


@dataclass(frozen=True, slots=True)
class TicketDefault:
    """What a source's tickets mean where they leave a member out; ``source`` is "" for all that say nothing else."""

    source: str
    ticket: Ticket


@dataclass(frozen=True, slots=True)
class Policy:
    """The rules of one printer. Every default is argued in domain/README.md, "Policy".

    settle_us            how long the count must not move before a window may close
    settle_longest_us    the longest settle time that may be learnt
    floor_us             no engine lands its first sheet sooner after a release's start
    unmoved_us           how long a window waits for a count that has not moved at all
    longest_us           the longest a window stays open
    longest_stalled_us   the same while the printer is stopped by an error
    fresh_us             an opening or closing cut further away than this makes a bracket ``wide``
    tolerance_permille   share of the expected count that may be missing or too much
    tolerance_pages      fixed part of the same, in the channel's unit
    speed_per_minute     the fastest the meter can step; faster is a jump
    fall_back            the most pages a count may lose at a power cut (its saving granularity)
    modulus              where the meter wraps to 0, if not at 2^32 or where its profile says
    charging             ``lesser`` of counted and released, or another of the four
    charging_needs       how a unit must be known at least, where what is charged rests on it
    blank_backs          whether the meter counts the blank back of an odd two-sided copy (calibration)
    separator_sheets     banner sheets of each job where the ticket does not say; None is unknown (0 to 2)
    badge_within_us      a release with no badge this long before it is a finding; 0 turns it off
    copies               what a ticket's copies mean: ``in-pages`` where its pages hold them already
    number_up            the same of pages on a side: ``in-pages`` where the pages are laid-out sides already
    sides                ``one-sided`` for a printer that can't print two-sided, whatever the ticket says
    large_media_weight   by how much a large sheet's side moves the meter; None is unknown (1 to 2)
    start_up_pages       pages that the printer makes of its own after it was off; None is unknown (0 to 1)
    panel_unit           what the panel's counter steps in, where people alone read it; None: the meter is asked
    tickets              what tickets mean where they leave a member out: one of their source's before the others
    """

    settle_us: int = 10 * SECOND_US  # common practice, no source
    floor_us: int = 1 * SECOND_US  # common practice, no source
    unmoved_us: int = 120 * SECOND_US  # common practice, no source
    longest_us: int = 4 * 3600 * SECOND_US  # our choice
    longest_stalled_us: int = 72 * 3600 * SECOND_US  # from Friday to Monday: OpenPrinting/cups#278, apple/cups#200
    fresh_us: int = 60 * SECOND_US  # our choice; that age matters: home-assistant/home-assistant.io#28092
    tolerance_permille: int = 0  # share and fixed part, as WAC 173-360A-0620 has them
    tolerance_pages: int = 0
    speed_per_minute: int = 200  # common practice, no source
    fall_back: int = 10  # HP-LASERJET-COMMON-MIB, prtMarkerLifeCount
    modulus: int = 2**32  # RFC 2578 section 7.1.6
    charging: Charging = "lesser"  # our choice
    charging_needs: UnitGrade = NEEDED_DEFAULT  # our choice
    blank_backs: BlankBacks = "unknown"  # RFC 2707 section 2
    separator_sheets: int | None = 0  # RFC 8011 section 5.2.3
    badge_within_us: int = 0  # our choice
    settle_longest_us: int = 120 * SECOND_US  # our choice
    copies: Copies = "as-ticket"  # apple/cups#1782
    number_up: NumberUp = "as-ticket"  # apple/cups#2672
    sides: SidesMade = "as-ticket"
    large_media_weight: int | None = None  # docs.cpp.canon M124813, prtMarkerLifeCount
    start_up_pages: int | None = None  # RFC 3805 section 6, prtAuxiliarySheetStartupPage
    tickets: tuple[TicketDefault, ...] = ()
    panel_unit: Unit | None = None

    @property
    def by_panel(self) -> bool:
        """Figures that people read from the panel are its only meter."""
        return self.panel_unit is not None

    def needs_better(self, grade: UnitGrade) -> bool:
        """Whether a unit that is known so is no ground for a charge."""
        return _GRADES.index(grade) > _GRADES.index(self.charging_needs)

    def meant(self, source: str, ticket: Ticket) -> Ticket:
        """The ticket with this printer's defaults in place of what it leaves out.

        One copy and one page on a side where nothing else is said (RFC 8011 sections 5.2.5 and 5.2.9: an attribute that
        a job does not have takes the printer's default).
        """
        if not self.tickets:
            return filled(ticket, (_plain(self.separator_sheets),))
        own = (one.ticket for one in self.tickets if one.source == source)
        general = (one.ticket for one in self.tickets if not one.source)
        return filled(ticket, (*own, *general, _plain(self.separator_sheets)))


@lru_cache(maxsize=8)
def patient(policy: Policy) -> Policy:
    """The same policy where only the next figure of a panel ends a wait, whenever somebody reads it."""
    return replace(policy, longest_us=_PATIENT_US, longest_stalled_us=_PATIENT_US)


@lru_cache(maxsize=8)
def _plain(separator_sheets: int | None) -> Ticket:
    return Ticket(copies=1, number_up=1, separator_sheets=separator_sheets)


@dataclass(frozen=True, slots=True)
class BadgePolicy:
    """The rules for badges and feeds, of the whole site. Every default is argued in domain/README.md, "Policy".

    swipe_us          the same badge at the same reader again within this of its last sighting is the same swipe
    travel_us         the same badge at another gateway within this is in two places; 0 turns it off
    nearby_us         so long before a release its badge is looked for; an unknown badge within it is the same try
    noisy_frames      of a reader's last so many frames nearly all are refused: it can't be read
    changed_badges    so many badges in a row are known only if written otherwise: the reader's form has changed
    silent_after      so many of one kind of notice in a row without the other kind that goes with it: a feed is silent
    silent_us         and for at least this long
    """

    swipe_us: int = 2 * SECOND_US  # our choice; that readers repeat: EVerest/EVerest#2497
    travel_us: int = 10 * SECOND_US  # common practice, no source
    nearby_us: int = 600 * SECOND_US  # our choice
    noisy_frames: int = 20  # our choice; that readers fail so: esphome/issues#4220
    changed_badges: int = 3  # our choice; that forms change: esprfid/esp-rfid#610
    silent_after: int = 10  # common practice, no source
    silent_us: int = 600 * SECOND_US  # common practice, no source
