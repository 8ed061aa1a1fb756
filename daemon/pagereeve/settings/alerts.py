"""[alerts]: what is told, when, and to whom. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, Self

from pydantic import Field, create_model, model_validator

from pagereeve.ports.setting_types import OFFSET_TIME, Checked, Duration, DurationRange, Name, Section, Text
from pagereeve.receivers import RECEIVERS
from pagereeve.receivers.kind import ReceiverKind, ReceiverSettings

RECEIVERS_MAX: Final = 16
QUIET_MAX: Final = 1_000
_BEGINNING: Final = datetime(1970, 1, 1, tzinfo=UTC)


def _instant(value: datetime) -> datetime:
    if value.utcoffset() is None:
        stamp = value.isoformat(timespec="seconds")
        raise ValueError(f"{stamp} could be any place's time; add its offset, as {stamp}Z or {stamp}+01:00")
    return value


def instant_us(value: datetime) -> int:
    return (value - _BEGINNING) // timedelta(microseconds=1)


Instant = Annotated[datetime, Checked(_instant, OFFSET_TIME)]


class QuietSettings(Section):
    """One of [[alerts.quiet]]: from ``begins`` until before ``ends`` nothing is told of these printers and gateways.

    Neither printers nor gateways: of the whole site.
    """

    printers: Annotated[tuple[Name, ...], Field(max_length=100_000)] = ()
    gateways: Annotated[tuple[Name, ...], Field(max_length=100_000)] = ()
    begins: Instant
    ends: Instant
    text: Text = ""

    @model_validator(mode="after")
    def _has_a_length(self) -> Self:
        if self.ends <= self.begins:
            begins, ends = self.begins.isoformat(), self.ends.isoformat()
            raise ValueError(f"ends ({ends}) is not after begins ({begins}); change one of the two")
        return self

    def covers(self, printer: str, gateway: str, at_us: int) -> bool:
        """Nothing is to be told of this printer, behind this gateway ("" without one), at that instant."""
        if not instant_us(self.begins) <= at_us < instant_us(self.ends):
            return False
        whole = not self.printers and not self.gateways
        return whole or printer in self.printers or (gateway != "" and gateway in self.gateways)


_TABLES: dict[str, Any] = {
    kind.table: (tuple[kind.settings, ...], Field(default=(), max_length=RECEIVERS_MAX))  # type: ignore[name-defined]
    for kind in RECEIVERS
}
# A base, because a class's own body can't loop over the list of kinds.
_ReceiverTables: Any = create_model("_ReceiverTables", __base__=Section, **_TABLES)


class AlertSettings(_ReceiverTables):  # type: ignore[misc] # a base that is made
    """[alerts]: how long something must be so, or over, before it is told. Each kind of receiver has a table."""

    # That holds are wanted: prometheus/alertmanager#204, #1063, #3048; their lengths are our choice.
    hold: Annotated[Duration, DurationRange("0s", "1d")] = Duration.of("2m")
    hold_over: Annotated[Duration, DurationRange("0s", "1d")] = Duration.of("10m")
    again_after: Annotated[Duration, DurationRange("1m", "365d")] = Duration.of("1d")
    quiet: Annotated[tuple[QuietSettings, ...], Field(max_length=QUIET_MAX)] = ()

    def receivers(self) -> Iterator[tuple[ReceiverKind[Any], ReceiverSettings]]:
        """Everybody who is told, in the order of the kinds and then of the file."""
        return ((kind, one) for kind in RECEIVERS for one in getattr(self, kind.table))
