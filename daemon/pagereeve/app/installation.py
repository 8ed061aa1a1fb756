"""Looking an installation over for ``pagereeve doctor``: beside a running daemon or without one; changes nothing."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from pagereeve.app.backup_trace import last_backup_us
from pagereeve.app.badge_key import NAME, key_trouble
from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import readiness_of
from pagereeve.app.http_door import certificate_of
from pagereeve.app.installing.unjudged import unjudged
from pagereeve.app.journals import place_of, reads_of
from pagereeve.app.kernel_clock import kept
from pagereeve.app.relay_probe import look_at_relay
from pagereeve.app.settings_trace import WaitingSettings, waiting_settings
from pagereeve.domain.credentials.book import Credential
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.http.tls import BadCertificate
from pagereeve.ports.credentials import StoredCredential
from pagereeve.ports.queries import Growth
from pagereeve.queries.credentials import state_of
from pagereeve.queries.installation import GROWTH_WINDOW_US, journal_state
from pagereeve.reports.doctor import EXPIRES_SOON_US, CertificateExpiry, InstallationState, RelayState
from pagereeve.settings import BadSettings, Settings
from pagereeve.store.sqlite.files import size_bytes, wal_path
from pagereeve.telemetry.disk import disk_of, disk_trouble
from pagereeve.telemetry.file_system import network_trouble

DAY_US: Final = 86_400 * SECOND_US
# Certificates of authorities: whoever checks one may read it.
PUBLIC_FILES: Final = frozenset({"ca_file", "ipp_ca_file"})
# A journal of hours says nothing of months.
GROWTH_LEAST_US: Final = 2 * DAY_US


async def examine(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    """``problems`` are those that the files have which the settings name."""
    seen = _without_journal(settings, problems, journal)
    if settings.journal.url is None and seen.journal_bytes is None:
        return seen
    try:
        async with await reads_of(place_of(settings)) as reads:
            printers = [printer.name for printer in settings.printers]
            runs, titles_us = seen.not_ready is not None, _titles_us(settings)
            known = await journal_state(reads, printers, now_us=seen.now_us, daemon_runs=runs, titles_us=titles_us)
            check = await reads.key_check(NAME)
            stored = await reads.credentials()
    except PagereeveError as error:
        return replace(seen, journal_trouble=str(error))
    return replace(
        seen,
        findings=known.findings,
        quiet=known.quiet,
        gateways_down=known.gateways_down,
        newest_us=known.newest_us,
        waiting_us=known.waiting_us,
        units=known.units,
        panels_off=known.panels_off,
        by_panel=_by_panel(settings, known.panels_us),
        key_trouble=key_trouble(settings.badge_key_file, check),
        expired=_expired(settings, stored, seen.now_us),
        expiring=_expiring(settings, stored, seen.now_us),
        never_proven=_never_proven(settings, known.proven_us),
        silent_feeds=known.silent_feeds,
        oldest_us=known.growth.oldest_us,
        title_us=known.title_us,
        archives=known.archives,
        growth_day_bytes=_growth_day_bytes(known.growth, seen),
        disk_lasts_days=_lasts_days(_growth_day_bytes(known.growth, seen), seen),
    )


def _without_journal(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    folder = settings.data_dir
    tls, token = settings.http.certificate_file is not None, _reading_token(settings)
    daemon = readiness_of(settings.http.listen, settings.local_socket_path, token=token, tls=tls)
    disk = disk_of(_standing(folder))
    waiting = WaitingSettings() if daemon.not_ready is None else waiting_settings(settings)
    return InstallationState(
        now_us=SystemClock().now_us() - daemon.ahead_us,
        ahead_us=daemon.ahead_us,
        listen=str(settings.http.listen),
        data_dir=str(folder),
        zone=settings.site.zone,
        settings=tuple(problems),
        data_dir_trouble=_folder_trouble(folder, runs=daemon.not_ready is not None),
        network_trouble=network_trouble(_standing(folder)),
        disk_trouble=disk_trouble(disk),
        disk_free_bytes=None if disk is None else disk.free_bytes,
        not_ready=daemon.not_ready,
        notices=daemon.notices,
        daemon_trouble=daemon.trouble,
        journal_bytes=size_bytes(journal) if _is_there(journal) else None,
        wal_bytes=size_bytes(wal_path(journal)) if _is_there(journal) else 0,
        printers=len(settings.printers),
        readable=tuple(_readable(_secret_files(settings, journal))),
        relay=_relay(settings),
        expiries=_expiries(settings),
        titles_for_good=settings.privacy.keep_titles and settings.privacy.keep_titles_for is None,
        has_receivers=any(True for _ in settings.alerts.receivers()),
        clock_kept=kept(),
        backup_us=last_backup_us(folder),
        by_reload=waiting.by_reload,
        by_restart=waiting.by_restart,
        newer_files=waiting.files,
        unjudged=unjudged(folder),
    )


def _titles_us(settings: Settings) -> int | None:
    keep = settings.privacy.keep_titles_for
    return None if keep is None else keep.us


def _reading_token(settings: Settings) -> str:
    """The first that the settings give the act to read; "" without one, or where a file of theirs can't be used."""
    try:
        given = [one for one in settings.http_credentials() if one.is_token and one.credential.caller.may("read")]
    except BadSettings:
        return ""  # it is among the settings' problems already
    return given[0].secret.get_secret_value() if given else ""


def _expired(settings: Settings, stored: Sequence[StoredCredential], now_us: int) -> tuple[str, ...]:
    every = _credentials(settings, stored)
    return tuple(sorted(one.caller.name for one in every if state_of(one, now_us) == "expired"))


def _expiring(settings: Settings, stored: Sequence[StoredCredential], now_us: int) -> tuple[tuple[str, int], ...]:
    """The first to end first."""
    valid = [one for one in _credentials(settings, stored) if state_of(one, now_us) == "valid"]
    ends = [(one.expires_us, one.caller.name) for one in valid if one.expires_us is not None]
    return tuple((name, until_us) for until_us, name in sorted(ends) if until_us < now_us + EXPIRES_SOON_US)


def _credentials(settings: Settings, stored: Sequence[StoredCredential]) -> list[Credential]:
    try:
        given = [one.credential for one in settings.http_credentials()]
    except BadSettings:
        given = []
    return [*given, *(one.credential for one in stored)]


def _by_panel(settings: Settings, panels_us: Mapping[str, int]) -> Mapping[str, int | None]:
    """Printers without a meter that can be asked, with the latest figure that somebody noted."""
    return {one.name: panels_us.get(one.name) for one in settings.printers if one.meter == "panel"}


def _never_proven(settings: Settings, proven_us: Mapping[str, int]) -> tuple[str, ...]:
    """Neither noted, nor said by the entry, whose unit is what pages proved."""
    return tuple(one.name for one in settings.printers if one.unit is None and one.name not in proven_us)


def _growth_day_bytes(growth: Growth, seen: InstallationState) -> float:
    """By how much the journal grows a day at present: its size, by the share of its facts of the last month."""
    if growth.oldest_us is None or not growth.facts or seen.journal_bytes is None:
        return 0.0
    span_us = min(seen.now_us - growth.oldest_us, GROWTH_WINDOW_US)
    if span_us < GROWTH_LEAST_US:
        return 0.0
    return seen.journal_bytes * growth.recent / growth.facts * DAY_US / span_us


def _lasts_days(day_bytes: float, seen: InstallationState) -> float | None:
    """None where a trial of hours can't tell, or nothing grows."""
    return None if not day_bytes or seen.disk_free_bytes is None else seen.disk_free_bytes / day_bytes


def _expiries(settings: Settings) -> tuple[CertificateExpiry, ...]:
    """What can't be read is among the settings' problems."""
    try:
        certificate = certificate_of(settings.http)
    except BadCertificate:
        return ()
    found = () if certificate is None else certificate.expiries
    return tuple(CertificateExpiry(one.source, one.subject, one.until_us, one.ours) for one in found)


def _relay(settings: Settings) -> RelayState | None:
    """None where the settings have no [[relays]]."""
    if not settings.relays:
        return None
    path = settings.relay_socket_path
    seen = look_at_relay(path, tuple(one.name for one in settings.relays))
    return RelayState(str(path), seen.trouble, seen.held, seen.taken, seen.missing)


def _folder_trouble(folder: Path, *, runs: bool) -> str:
    """The daemon makes it at its first start; while one runs it must be there."""
    if not folder.exists():
        if runs:
            return "is gone, though a daemon runs; or that daemon has another one"
        above = _standing(folder)
        return "" if os.access(above, os.W_OK | os.X_OK) else f"does not exist, and can't be made in {above}"
    if not folder.is_dir():
        return "is no folder"
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        return "can't be read and written by the user who asks"
    return ""


def _standing(folder: Path) -> Path:
    """The folder itself, or the nearest above it that there is."""
    return next((path for path in (folder, *folder.absolute().parents) if path.exists()), folder)


def _secret_files(settings: Settings, journal: Path) -> list[Path]:
    """What nobody else should read. A community that is in the settings is the site's own choice."""
    named = [settings.data_dir, settings.badge_key_file, settings.badges.directory, journal, *settings.http.token_files]
    named.append(settings.http.key_file)
    oidc = () if settings.console.oidc is None else (settings.console.oidc,)
    receivers = (one for _, one in settings.alerts.receivers())
    for one in (
        *settings.printers,
        *settings.gateways,
        *receivers,
        *settings.http.credentials,
        *oidc,
        *settings.forward,
        *settings.publish,
        *settings.collect,
    ):
        secret = [name for name in type(one).model_fields if name.endswith("_file") and name not in PUBLIC_FILES]
        named += [getattr(one, name) for name in secret]
    return list(dict.fromkeys(path for path in named if isinstance(path, Path)))


def _readable(paths: Iterable[Path]) -> list[str]:
    return [str(path) for path in paths if _is_there(path) and path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH)]


def _is_there(path: Path) -> bool:
    """As far as the user who asks may see: what is in a closed folder nobody else reads either."""
    try:
        return path.exists()
    except PermissionError:
        return False
