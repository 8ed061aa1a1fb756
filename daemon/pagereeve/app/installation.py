"""Looking an installation over for ``pagereeve doctor``: beside a running daemon or without one; changes nothing."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from pagereeve.app.badge_key import NAME, key_trouble
from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import readiness_of
from pagereeve.app.http_door import certificate_of
from pagereeve.app.relay_probe import look_at_relay
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.http.tls import BadCertificate
from pagereeve.ports.credentials import StoredCredential
from pagereeve.queries.credentials import state_of
from pagereeve.queries.installation import journal_state
from pagereeve.reports.doctor import CertificateExpiry, InstallationState, RelayState
from pagereeve.settings import BadSettings, Settings
from pagereeve.store.sqlite.files import size_bytes, wal_path
from pagereeve.store.sqlite.reads import SqlReads
from pagereeve.telemetry.disk import disk_of, disk_trouble
from pagereeve.telemetry.file_system import network_trouble


async def examine(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    """``problems`` are those that the files have which the settings name."""
    seen = _without_journal(settings, problems, journal)
    if seen.journal_bytes is None:
        return seen
    try:
        async with await SqlReads.open_for_reading(journal) as reads:
            printers = [printer.name for printer in settings.printers]
            known = await journal_state(reads, printers, daemon_runs=seen.not_ready is not None)
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
        key_trouble=key_trouble(settings.badge_key_file, check),
        expired=_expired(settings, stored, seen.now_us),
    )


def _without_journal(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    folder = settings.data_dir
    tls, token = settings.http.certificate_file is not None, _reading_token(settings)
    daemon = readiness_of(settings.http.listen, settings.local_socket_path, token=token, tls=tls)
    disk = disk_of(_standing(folder))
    return InstallationState(
        now_us=SystemClock().now_us(),
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
        journal_bytes=size_bytes(journal) if journal.exists() else None,
        wal_bytes=size_bytes(wal_path(journal)),
        printers=len(settings.printers),
        readable=tuple(_readable(_secret_files(settings, journal))),
        relay=_relay(settings),
        expiries=_expiries(settings),
    )


def _reading_token(settings: Settings) -> str:
    """The first that the settings give the act to read; "" without one, or where a file of theirs can't be used."""
    try:
        given = [one for one in settings.http_credentials() if one.is_token and one.credential.caller.may("read")]
    except BadSettings:
        return ""  # it is among the settings' problems already
    return given[0].secret.get_secret_value() if given else ""


def _expired(settings: Settings, stored: Sequence[StoredCredential], now_us: int) -> tuple[str, ...]:
    try:
        given = [one.credential for one in settings.http_credentials()]
    except BadSettings:
        given = []
    every = [*given, *(one.credential for one in stored)]
    return tuple(sorted(one.caller.name for one in every if state_of(one, now_us) == "expired"))


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
    return "" if os.access(folder, os.R_OK | os.W_OK | os.X_OK) else "can't be written by the user who asks"


def _standing(folder: Path) -> Path:
    """The folder itself, or the nearest above it that there is."""
    return next((path for path in (folder, *folder.absolute().parents) if path.exists()), folder)


def _secret_files(settings: Settings, journal: Path) -> list[Path]:
    """What nobody else should read. A community that is in the settings is the site's own choice."""
    named = [settings.data_dir, settings.badge_key_file, settings.badges.directory, journal, *settings.http.token_files]
    named.append(settings.http.key_file)
    receivers = (one for _, one in settings.alerts.receivers())
    for one in (*settings.printers, *settings.gateways, *receivers, *settings.http.credentials):
        secret = [name for name in type(one).model_fields if name.endswith("_file") and name != "ca_file"]
        named += [getattr(one, name) for name in secret]
    return list(dict.fromkeys(path for path in named if isinstance(path, Path)))


def _readable(paths: Iterable[Path]) -> list[str]:
    return [str(path) for path in paths if path.exists() and path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH)]
