"""The college as the daemon's registry: its settings, and their file."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from pagereeve.domain.values.toml_text import toml_text
from pagereeve.settings import (
    BadgeFormSettings,
    BadgeSettings,
    Duration,
    GatewaySettings,
    HostPort,
    HttpSettings,
    PeopleSettings,
    PolicyOverrides,
    PrinterSettings,
    RelaySettings,
    Settings,
    WatchSettings,
)
from pagereeve.simulator.college.college import COMMUNITY, College
from pagereeve.simulator.college.roll import HASTY_POLICY

# The college's badge numbers: decimal, of 32 bits.
NUMBERS = BadgeFormSettings(encoding="decimal", width_bits=32, uid=False)
OWNER_ONLY: Final = 0o600
SINCE: Final = "2020-01-01"
Row = tuple[str, str, str]
ANY_PORT = HostPort("127.0.0.1", 0)
HASTE = PolicyOverrides(
    settle=Duration(HASTY_POLICY.settle_us),
    first_page_floor=Duration(HASTY_POLICY.floor_us),
    unmoved_wait=Duration(HASTY_POLICY.unmoved_us),
    longest_window=Duration(HASTY_POLICY.longest_us),
    longest_stalled_window=Duration(HASTY_POLICY.longest_stalled_us),
    fresh=Duration(HASTY_POLICY.fresh_us),
    speed_per_minute=HASTY_POLICY.speed_per_minute,
    fall_back_pages=HASTY_POLICY.fall_back,
)


def demo_settings(college: College, data_dir: Path, http_port: int = 0) -> Settings:
    """Settings for the daemon beside this college; its journal and people file lie in ``data_dir``."""
    settings = college_settings(college, data_dir, HostPort("127.0.0.1", http_port))
    # As a new value: what was set stands in the file, what was not does not.
    relays = tuple(_relay(college, gateway.name) for gateway in settings.gateways)
    return settings.model_copy(update={"relays": relays})


def college_settings(college: College, data_dir: Path, listen: HostPort) -> Settings:
    """As it is without relays: badges come from the release server."""
    roll = college.settings()
    community = _written(data_dir / "secrets", "college", COMMUNITY)
    people = _rows(
        data_dir / "people.csv",
        ("owner", "cost_centre", "from"),
        ((person.login, person.cost_centre, SINCE) for person in roll.people),
    )
    badges = _rows(
        data_dir / "badges.csv",
        ("badge", "owner", "from"),
        ((person.badge, person.login, SINCE) for person in roll.people),
    )
    return Settings(
        data_dir=data_dir,
        http=HttpSettings(listen=listen),
        people=PeopleSettings(file=people),
        badges=BadgeSettings(
            form=NUMBERS,
            directory=badges,
            swipe_window=Duration.of("500ms"),
            travel=Duration.of("1s"),
            nearby=Duration.of("20s"),
            noisy_frames=5,
            silent_after=6,
            silent_for=Duration.of("3s"),
        ),
        watch=WatchSettings(
            baseline=Duration.of("1s"),
            sleeper_backoff_max=Duration.of("2s"),
            read_timeout=Duration.of("3s"),
            poll_first=Duration.of("150ms"),
            poll_longest=Duration.of("1s"),
        ),
        gateways=tuple(GatewaySettings(name=name) for name in roll.gateways),
        printers=tuple(
            PrinterSettings(
                name=one.printer,
                host=one.host,
                port=one.port,
                print_port=one.print_port,
                version=one.version,
                community_file=community,
                gateway=one.gateway,
                site=one.site,
                policy=PolicyOverrides(
                    **HASTE.model_dump(exclude_unset=True),
                    tolerance_pages=one.policy.tolerance_pages,
                    badge_within=Duration(one.policy.badge_within_us),
                ),
            )
            for one in roll.printers
        ),
    )


def _written(folder: Path, name: str, secret: str) -> Path:
    """A secret in a file that is its owner's alone: an entry of the settings names the file."""
    folder.mkdir(mode=0o700, exist_ok=True)
    file = folder / name
    file.touch(mode=OWNER_ONLY)
    file.write_text(secret + "\n", encoding="utf-8")
    return file


def _rows(file: Path, heading: Row, rows: Iterable[Row]) -> Path:
    """A list of people or badges, its owner's alone as well."""
    file.touch(mode=OWNER_ONLY)
    with file.open("w", newline="", encoding="utf-8") as opened:
        csv.writer(opened).writerows((heading, *rows))
    return file


def settings_text(settings: Settings) -> str:
    """These settings as their file has them: what was set, and no defaults."""
    return toml_text(settings.model_dump(mode="json", exclude_unset=True, exclude_none=True))


def _relay(college: College, gateway: str) -> RelaySettings:
    """The gateway's badge lines pass on to the release server that expects them, and the daemon gets a copy."""
    host, port = college.badge_address(gateway)
    return RelaySettings(
        name=f"badges-{gateway}", listen=ANY_PORT, gateway=gateway, terminator="crlf", forward_to=HostPort(host, port)
    )
