"""What was found of a site, as plain figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.accounts.periods import local, zone_of
from pagereeve.domain.ledger import Severity
from pagereeve.ports.archives import FileState
from pagereeve.queries.installation import SilentFeed, SilentPrinter
from pagereeve.queries.noted_readings import Seen
from pagereeve.queries.units import UnitStanding

MIB: Final = 2**20


@dataclass(frozen=True, slots=True)
class RelayState:
    """The relay that the settings name. ``trouble`` is empty where it answered at its local socket.

    ``held`` lines wait for a daemon, ``taken`` says whether one takes them; relays that are ``missing`` do not listen.
    """

    socket: str
    trouble: str = ""
    held: int = 0
    taken: bool = True
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CertificateExpiry:
    """A certificate in the file ``source``; ``ours`` is one that we show, others are of clients' authorities."""

    source: str
    subject: str
    until_us: int
    ours: bool


@dataclass(frozen=True, slots=True)
class InstallationState:
    """What was found. ``not_ready`` is None where no daemon answered; texts are empty where nothing is wrong.

    ``now_us`` is as facts are dated; the machine's own clock is ``ahead_us`` ahead of it.

    ``findings`` are open ones by (severity, kind). ``waiting_us`` is, by receiver, since when its oldest message waits.
    ``readable`` are files that everybody on the machine may read, and shouldn't. Sizes in bytes; None: no such file.
    ``expired`` are names of credentials, ``expiring`` others with the instant of their end. ``clock_kept`` is None
    where nobody knows, ``disk_lasts_days`` where growth can't be told, ``backup_us`` where no backup is known of.
    ``titles_for_good``: they are kept, and nothing ends that; ``title_us`` is of one that should be gone for days.
    ``by_reload`` and ``by_restart`` are settings that are not in force, ``newer_files`` lists that were changed since.
    ``unjudged`` is a file that a page wrote and no reload judged. ``archives`` are missing, or not what was archived.
    """

    now_us: int
    listen: str
    data_dir: str
    ahead_us: int = 0
    zone: str = "UTC"
    settings: tuple[str, ...] = ()
    data_dir_trouble: str = ""
    network_trouble: str = ""
    disk_trouble: str = ""
    disk_free_bytes: int | None = None
    not_ready: Mapping[str, str] | None = None
    notices: Mapping[str, str] = field(default_factory=dict)
    daemon_trouble: str = ""
    journal_trouble: str = ""
    journal_bytes: int | None = None
    wal_bytes: int = 0
    wal_limit_bytes: int = 64 * MIB
    newest_us: int | None = None
    findings: Mapping[tuple[Severity, str], int] = field(default_factory=dict)
    printers: int = 0
    quiet: tuple[SilentPrinter, ...] = ()
    gateways_down: tuple[str, ...] = ()
    waiting_us: Mapping[str, int] = field(default_factory=dict)
    readable: tuple[str, ...] = ()
    key_trouble: str = ""
    expired: tuple[str, ...] = ()
    relay: RelayState | None = None
    expiries: tuple[CertificateExpiry, ...] = ()
    units: tuple[UnitStanding, ...] = ()
    panels_off: tuple[Seen, ...] = ()
    by_panel: Mapping[str, int | None] = field(default_factory=dict)
    expiring: tuple[tuple[str, int], ...] = ()
    has_receivers: bool = True
    never_proven: tuple[str, ...] = ()
    clock_kept: bool | None = True
    disk_lasts_days: float | None = None
    growth_day_bytes: float = 0.0
    backup_us: int | None = None
    oldest_us: int | None = None
    silent_feeds: tuple[SilentFeed, ...] = ()
    by_reload: tuple[str, ...] = ()
    by_restart: tuple[str, ...] = ()
    titles_for_good: bool = False
    title_us: int | None = None
    newer_files: tuple[str, ...] = ()
    unjudged: str = ""
    archives: tuple[tuple[str, FileState], ...] = ()

    @property
    def wall_us(self) -> int:
        """By which files and certificates are dated."""
        return self.now_us + self.ahead_us

    def at(self, at_us: int) -> str:
        """Local time of the site with its offset."""
        return local(at_us, zone_of(self.zone)).isoformat(sep=" ", timespec="minutes")


def day_size(seen: InstallationState) -> str:
    """How much the journal grows a day, in words: a small site's would be 0.0 MiB."""
    mib = seen.growth_day_bytes / MIB
    return f"{mib / 1024:.1f} GiB" if mib >= 1024 else f"{mib:.1f} MiB" if mib >= 0.1 else f"{mib * 1024:.0f} KiB"
