"""Looking an installation over for ``pagereeve doctor``: beside a running daemon or without one; changes nothing."""

from __future__ import annotations

import http.client
import json
import os
import stat
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from pagereeve.app.clocks import SystemClock
from pagereeve.app.disk import disk_of
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.reports.doctor import InstallationState, SilentPrinter
from pagereeve.settings import HostPort, Settings
from pagereeve.store.sqlite.files import size_bytes, wal_path
from pagereeve.store.sqlite.reads import SqlReads

ANSWER_S: Final = 15.0
ANSWER_MAX_BYTES: Final = 2**20


@dataclass(frozen=True, slots=True)
class _Daemon:
    """What the daemon's own page says; ``not_ready`` is None where nobody answered, and ``trouble`` says why."""

    not_ready: Mapping[str, str] | None = None
    trouble: str = ""


async def examine(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    """``problems`` are those that the files have which the settings name."""
    seen = _without_journal(settings, problems, journal)
    if seen.journal_bytes is None:
        return seen
    try:
        async with await SqlReads.open_for_reading(journal) as reads:
            return await _of_journal(seen, reads, [printer.name for printer in settings.printers])
    except PagereeveError as error:
        return replace(seen, journal_trouble=str(error))


def _without_journal(settings: Settings, problems: Sequence[str], journal: Path) -> InstallationState:
    folder = settings.data_dir
    daemon = ask_daemon(settings.http.listen)
    return InstallationState(
        now_us=SystemClock().now_us(),
        listen=str(settings.http.listen),
        data_dir=str(folder),
        settings=tuple(problems),
        data_dir_trouble=_folder_trouble(folder, runs=daemon.not_ready is not None),
        disk=disk_of(_standing(folder)),
        not_ready=daemon.not_ready,
        daemon_trouble=daemon.trouble,
        journal_bytes=size_bytes(journal) if journal.exists() else None,
        wal_bytes=size_bytes(wal_path(journal)),
        printers=len(settings.printers),
        readable=tuple(_readable(_secret_files(settings, journal))),
    )


async def _of_journal(seen: InstallationState, reads: SqlReads, printers: Iterable[str]) -> InstallationState:
    findings: Counter[tuple[Severity, str]] = Counter()
    for finding in await reads.findings(only_open=True):
        findings[finding.severity, finding.kind] += 1
    runs = {printer: run.fact async for printer, run in reads.open_runs()}
    quiet = []
    for printer in printers:
        run = runs.get(printer)
        if isinstance(run, PlateauRead):
            # While no daemon runs, nobody reads: that is said once, and not of each printer.
            if seen.not_ready is not None:
                quiet.append(SilentPrinter(printer, run.plateau.last_received_us))
        elif run is not None:
            last = await reads.last_read(printer)
            quiet.append(
                SilentPrinter(printer, None if last is None else last.plateau.last_received_us, run.silence.reason)
            )
    waiting_us = {name: one.oldest_us for name, one in (await reads.queues()).items() if one.oldest_us is not None}
    newest_us = await reads.newest_us()
    return replace(seen, findings=findings, quiet=tuple(quiet), newest_us=newest_us, waiting_us=waiting_us)


def ask_daemon(listen: HostPort) -> _Daemon:
    """/readyz of the daemon that listens there; an address of all interfaces is asked on loopback."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(listen.host, listen.host)  # noqa: S104 - asked, not listened on
    try:
        status, body = _get(host, listen.port, "/readyz")
        if status not in {200, 503}:
            return _Daemon(trouble=f"somebody else does: /readyz answers {status}")
        not_ready = json.loads(body)["not_ready"]
    except ConnectionRefusedError:
        return _Daemon(trouble="nobody listens there")
    except (OSError, http.client.HTTPException) as error:
        return _Daemon(trouble=f"no answer, {type(error).__name__}")
    except (ValueError, KeyError, TypeError):
        return _Daemon(trouble="somebody else does: /readyz is not ours")
    return _Daemon(not_ready=not_ready)


def _get(host: str, port: int, path: str) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection(host, port, timeout=ANSWER_S)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        return answer.status, answer.read(ANSWER_MAX_BYTES)
    finally:
        connection.close()


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
    """What nobody else should read. A community that stands in the settings is the site's own choice."""
    named = [settings.badge_key_file, settings.badges.directory, journal, *settings.http.token_files]
    alerts = settings.alerts
    receivers = (*alerts.alertmanagers, *alerts.webhooks, *alerts.mails, *alerts.syslogs)
    for one in (*settings.printers, *receivers):
        secret = [name for name in type(one).model_fields if name.endswith("_file") and name != "ca_file"]
        named += [getattr(one, name) for name in secret]
    return list(dict.fromkeys(path for path in named if isinstance(path, Path)))


def _readable(paths: Iterable[Path]) -> list[str]:
    return [str(path) for path in paths if path.exists() and path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH)]
