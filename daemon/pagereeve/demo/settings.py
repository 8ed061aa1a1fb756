"""The demo's settings: the college as the daemon's registry, on ports that the system chose."""

from __future__ import annotations

import csv
from pathlib import Path

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
    roll = college.settings()
    people = data_dir / "people.csv"
    with people.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(("owner", "cost_centre", "from"))
        rows.writerows((person.login, person.cost_centre, "2020-01-01") for person in roll.people)
    badges = data_dir / "badges.csv"
    with badges.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(("badge", "owner", "from"))
        rows.writerows((person.badge, person.login, "2020-01-01") for person in roll.people)
    return Settings(
        data_dir=data_dir,
        http=HttpSettings(listen=HostPort("127.0.0.1", http_port)),
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
            read_timeout=Duration.of("1s"),
            poll_first=Duration.of("150ms"),
            poll_longest=Duration.of("1s"),
        ),
        gateways=tuple(GatewaySettings(name=name) for name in roll.gateways),
        printers=tuple(
            PrinterSettings(
                name=one.printer,
                host=one.host,
                port=one.port,
                version=one.version,
                community=COMMUNITY,  # type: ignore[arg-type] # a SecretStr is made of it
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
        relays=tuple(_relay(college, name) for name in roll.gateways),
    )


def _relay(college: College, gateway: str) -> RelaySettings:
    """The gateway's badge lines pass on to the release server that expects them, and the daemon gets a copy."""
    host, port = college.badge_address(gateway)
    return RelaySettings(
        name=f"badges-{gateway}", listen=ANY_PORT, gateway=gateway, terminator="crlf", forward_to=HostPort(host, port)
    )
