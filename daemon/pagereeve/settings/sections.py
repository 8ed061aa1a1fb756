"""The tables of the settings file of their own. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from pagereeve.domain.badges.state import FRAMES_MAX
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.ports.setting_types import Duration, DurationRange, Section, Share, Whole
from pagereeve.settings.badge_forms import BadgeFormSettings

_BADGES: Final = BadgePolicy()

Level = Literal["debug", "info", "warning", "error"]
LogFormat = Literal["auto", "human", "json"]


class LogSettings(Section):
    format: LogFormat = "auto"
    level: Level = "info"


class BadgeSettings(Section):
    """[badges]: the form and hash of numbers, their owners, and which troubles of readers and feeds are reported."""

    key_file: Path | None = None
    form: BadgeFormSettings = BadgeFormSettings()
    directory: Path | None = None
    directory_form: BadgeFormSettings | None = None
    swipe_window: Annotated[Duration, DurationRange("0s", "1m")] = Duration(_BADGES.swipe_us)
    travel: Annotated[Duration, DurationRange("0s", "1h")] = Duration(_BADGES.travel_us)
    nearby: Annotated[Duration, DurationRange("1s", "1d")] = Duration(_BADGES.nearby_us)
    noisy_frames: Annotated[Whole, Field(ge=5, le=FRAMES_MAX)] = _BADGES.noisy_frames
    changed_badges: Annotated[Whole, Field(ge=2, le=1_000)] = _BADGES.changed_badges
    silent_after: Annotated[Whole, Field(ge=2, le=100_000)] = _BADGES.silent_after
    silent_for: Annotated[Duration, DurationRange("0s", "7d")] = Duration(_BADGES.silent_us)

    def badge_policy(self) -> BadgePolicy:
        return BadgePolicy(
            swipe_us=self.swipe_window.us,
            travel_us=self.travel.us,
            nearby_us=self.nearby.us,
            noisy_frames=self.noisy_frames,
            changed_badges=self.changed_badges,
            silent_after=self.silent_after,
            silent_us=self.silent_for.us,
        )


class PrivacySettings(Section):
    """[privacy]: what is kept of people. ``keep_names_for``: so long after their last release nobody is erased.

    ``keep_titles_for``: so long after its release's start a title is kept; None: for good.
    """

    keep_titles: bool = False
    keep_titles_for: Annotated[Duration, DurationRange("1h", "3650d")] | None = None
    keep_names_for: Annotated[Duration, DurationRange("1d", "3650d")] | None = None


class WatchSettings(Section):
    """[watch]: when a meter is read."""

    baseline: Annotated[Duration, DurationRange("1s", "1d")] = Duration.of("15m")
    baseline_jitter: Share = 0.2
    read_timeout: Annotated[Duration, DurationRange("100ms", "1m")] = Duration.of("6s")
    poll_first: Annotated[Duration, DurationRange("50ms", "1m")] = Duration.of("1s")
    poll_longest: Annotated[Duration, DurationRange("50ms", "10m")] = Duration.of("10s")
    poll_growth: Annotated[float, Field(ge=1, le=10, allow_inf_nan=False)] = 2.0
    sleeper_backoff_max: Annotated[Duration, DurationRange("1s", "7d")] = Duration.of("4h")
    gateway_check: Annotated[Duration, DurationRange("1s", "1d")] = Duration.of("30s")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        pairs = (
            ("poll_first", self.poll_first, "poll_longest", self.poll_longest),
            ("baseline", self.baseline, "sleeper_backoff_max", self.sleeper_backoff_max),
        )
        wrong = [f"{small} ({low}) is longer than {large} ({high})" for small, low, large, high in pairs if low > high]
        if wrong:
            raise ValueError("; ".join(wrong) + "; change one of the two")
        return self


class MeterSettings(Section):
    """[meters]: what is known of makers' own counters, beside what comes with the program."""

    profiles: Path | None = None


class PeopleSettings(Section):
    """[people]: who belongs to which cost centre, from when (settings.people has the format)."""

    file: Path | None = None


class MetricsSettings(Section):
    per_printer: bool = True


class ClockSettings(Section):
    """[clock]: who may say that this machine's clock is right, when a start can't tell."""

    believe_kernel: bool = True


class LimitSettings(Section):
    """[limits]: what may be held at once. Beyond it a sender gets 503 (retry later), or a reason is counted."""

    intake_queue_max: Annotated[Whole, Field(ge=1, le=1_000_000)] = 10_000
    requests_max: Annotated[Whole, Field(ge=1, le=100_000)] = 4_096
    line_connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 256
    line_peer_connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 32
    line_backlog_max: Annotated[Whole, Field(ge=1, le=100_000)] = 256
    stop_within: Annotated[Duration, DurationRange("1s", "5m")] = Duration.of("20s")
