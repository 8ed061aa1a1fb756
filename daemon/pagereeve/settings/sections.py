"""The tables of the settings file of their own. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from pagereeve.domain.badges.state import FRAMES_MAX
from pagereeve.domain.facts.policy import BadgePolicy
from pagereeve.settings.badge_forms import BadgeFormSettings
from pagereeve.settings.values import Duration, DurationRange, HostPort, Name, Section, Share, Target, Whole

MIB: Final = 2**20
_BADGES: Final = BadgePolicy()
TERMINATORS: Final = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r", "none": b""}

Level = Literal["debug", "info", "warning", "error"]
LogFormat = Literal["auto", "human", "json"]
Terminator = Literal["crlf", "lf", "cr", "none"]
Encoding = Literal["ascii", "utf-8", "latin-1", "hex"]
Affix = Annotated[str, Field(max_length=32)]


class HttpSettings(Section):
    """[http]: the endpoint for events, and the pages for machines (metrics, health)."""

    listen: HostPort = HostPort("127.0.0.1", 8731)
    body_max_bytes: Annotated[Whole, Field(ge=1024, le=64 * MIB)] = MIB
    body_timeout: Annotated[Duration, DurationRange("100ms", "5m")] = Duration.of("10s")
    batch_max: Annotated[Whole, Field(ge=1, le=100_000)] = 1_000
    wait_max: Annotated[Duration, DurationRange("0s", "5m")] = Duration.of("30s")
    token_files: tuple[Path, ...] = ()


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
    keep_titles: bool = False


class LineFeedSettings(Section):
    """One of [[feeds.lines]]: a raw TCP endpoint for badge numbers, as a gateway's reader sends them."""

    name: Name
    listen: HostPort
    gateway: Name | None = None
    reader: Name | None = None
    terminator: Terminator = "crlf"
    prefix: Affix = ""
    suffix: Affix = ""
    encoding: Encoding = "ascii"
    line_max_bytes: Annotated[Whole, Field(ge=8, le=65_536)] = 512
    idle_flush: Annotated[Duration, DurationRange("10ms", "1m")] = Duration.of("500ms")
    tee: Target | None = None

    @property
    def terminator_bytes(self) -> bytes:
        """Empty where a line ends by a pause (``idle_flush``)."""
        return TERMINATORS[self.terminator]


class FeedSettings(Section):
    lines: tuple[LineFeedSettings, ...] = ()


class WatchSettings(Section):
    """[watch]: when a meter is read."""

    baseline: Annotated[Duration, DurationRange("1s", "1d")] = Duration.of("15m")
    baseline_jitter: Share = 0.2
    read_timeout: Annotated[Duration, DurationRange("100ms", "1m")] = Duration.of("6s")
    poll_first: Annotated[Duration, DurationRange("50ms", "1m")] = Duration.of("1s")
    poll_longest: Annotated[Duration, DurationRange("50ms", "10m")] = Duration.of("10s")
    poll_growth: Annotated[float, Field(ge=1, le=10, allow_inf_nan=False)] = 2.0
    sleeper_backoff_max: Annotated[Duration, DurationRange("1s", "7d")] = Duration.of("4h")

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


class LimitSettings(Section):
    """[limits]: what may be held at once. Beyond it a sender gets 503 (retry later), or a reason is counted."""

    intake_queue_max: Annotated[Whole, Field(ge=1, le=1_000_000)] = 10_000
    requests_max: Annotated[Whole, Field(ge=1, le=100_000)] = 4_096
    line_connections_max: Annotated[Whole, Field(ge=1, le=100_000)] = 256
    line_backlog_max: Annotated[Whole, Field(ge=1, le=100_000)] = 256
    stop_within: Annotated[Duration, DurationRange("1s", "5m")] = Duration.of("20s")
