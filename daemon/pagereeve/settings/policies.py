"""[policy] and a printer's own ``policy``: the rules by which its pages are judged, in friendly units."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from pagereeve.domain.facts.policy import LARGE_WEIGHT_MAX, BlankBacks, Charging, Copies, NumberUp, Policy, SidesMade
from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.ports.setting_types import Duration, DurationRange, OrUnknown, Section, Share, Whole
from pagereeve.settings.tickets import TicketSettings

UNKNOWN = "unknown"


def _none_for_unknown(value: Any) -> Any:
    """TOML has no null, so *unknown* is written out."""
    return None if value == UNKNOWN else value


def _permille(share: float) -> float:
    if abs(share * 1000 - round(share * 1000)) > 1e-6:
        raise ValueError(f"{share} has too many digits; three after the point are kept (0.015 is 1.5 %)")
    return share


Settle = Annotated[Duration, DurationRange("100ms", "10m")]
Floor = Annotated[Duration, DurationRange("0s", "1m")]
Wait = Annotated[Duration, DurationRange("1s", "1d")]
Longest = Annotated[Duration, DurationRange("1s", "30d")]
BadgeWithin = Annotated[Duration, DurationRange("0s", "7d")]
ToleranceShare = Annotated[Share, AfterValidator(_permille)]
TolerancePages = Annotated[Whole, Field(ge=0, le=10_000)]
Speed = Annotated[Whole, Field(ge=1, le=100_000)]
FallBack = Annotated[Whole, Field(ge=0, le=100_000)]
Modulus = Annotated[Whole, Field(ge=1_000, le=2**53 - 1)]
Separators = Annotated[Annotated[Whole, Field(ge=0, le=2)] | None, BeforeValidator(_none_for_unknown), OrUnknown()]
Weight = Annotated[
    Annotated[Whole, Field(ge=1, le=LARGE_WEIGHT_MAX)] | None, BeforeValidator(_none_for_unknown), OrUnknown()
]
StartUpPages = Annotated[Annotated[Whole, Field(ge=0, le=10)] | None, BeforeValidator(_none_for_unknown), OrUnknown()]

_PLAIN = Policy()


class PolicySettings(Section):
    """The rules of every printer that has none of its own. Meaning and defaults: domain.policy.Policy."""

    settle: Settle = Duration(_PLAIN.settle_us)
    settle_longest: Settle = Duration(_PLAIN.settle_longest_us)
    first_page_floor: Floor = Duration(_PLAIN.floor_us)
    unmoved_wait: Wait = Duration(_PLAIN.unmoved_us)
    longest_window: Longest = Duration(_PLAIN.longest_us)
    longest_stalled_window: Longest = Duration(_PLAIN.longest_stalled_us)
    fresh: Wait = Duration(_PLAIN.fresh_us)
    tolerance_share: ToleranceShare = _PLAIN.tolerance_permille / 1000
    tolerance_pages: TolerancePages = _PLAIN.tolerance_pages
    speed_per_minute: Speed = _PLAIN.speed_per_minute
    fall_back_pages: FallBack = _PLAIN.fall_back
    modulus: Modulus = _PLAIN.modulus
    charging: Charging = _PLAIN.charging
    charging_needs: Annotated[UnitGrade, Field(strict=False)] = _PLAIN.charging_needs
    blank_backs: BlankBacks = _PLAIN.blank_backs
    separator_sheets: Separators = _PLAIN.separator_sheets
    badge_within: BadgeWithin = Duration(_PLAIN.badge_within_us)
    copies: Copies = _PLAIN.copies
    number_up: NumberUp = _PLAIN.number_up
    sides: SidesMade = _PLAIN.sides
    large_media_weight: Weight = _PLAIN.large_media_weight
    start_up_pages: StartUpPages = _PLAIN.start_up_pages
    ticket: TicketSettings = TicketSettings()

    def to_policy(self) -> Policy:
        return Policy(
            settle_us=self.settle.us,
            settle_longest_us=max(self.settle.us, self.settle_longest.us),
            floor_us=self.first_page_floor.us,
            unmoved_us=self.unmoved_wait.us,
            longest_us=self.longest_window.us,
            longest_stalled_us=self.longest_stalled_window.us,
            fresh_us=self.fresh.us,
            tolerance_permille=round(self.tolerance_share * 1000),
            tolerance_pages=self.tolerance_pages,
            speed_per_minute=self.speed_per_minute,
            fall_back=self.fall_back_pages,
            modulus=self.modulus,
            charging=self.charging,
            charging_needs=self.charging_needs,
            blank_backs=self.blank_backs,
            separator_sheets=self.separator_sheets,
            badge_within_us=self.badge_within.us,
            copies=self.copies,
            number_up=self.number_up,
            sides=self.sides,
            large_media_weight=self.large_media_weight,
            start_up_pages=self.start_up_pages,
            tickets=self.ticket.to_defaults(),
        )


class PolicyOverrides(PolicySettings):
    """The same names; only those that are written count, the rest comes from [policy]."""

    def over(self, general: PolicySettings) -> PolicySettings:
        """``general`` with what is written here in its place."""
        written = {name: getattr(self, name) for name in self.model_fields_set}
        return general.model_copy(update=written)
