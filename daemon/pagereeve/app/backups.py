"""``pagereeve backup`` and ``pagereeve restore``: the journal with its proof, and the badge key where it is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pagereeve.app.backup_trace import note_backup
from pagereeve.app.badge_key import check_value, key_trouble
from pagereeve.app.badge_key_file import BadBadgeKey, put_key, read_key, set_aside
from pagereeve.app.clocks import SystemClock
from pagereeve.app.data_folder import prepare_folder
from pagereeve.store.sqlite.backup.container import Manifest, read_manifest
from pagereeve.store.sqlite.backup.restoring import Restored, restore_backup
from pagereeve.store.sqlite.backup.taking import OnStep, take_backup


@dataclass(frozen=True, slots=True)
class BackupMade:
    """``untraced`` says why it is not noted when this backup was made; "" where it is."""

    manifest: Manifest
    size_bytes: int
    duration_s: float
    untraced: str = ""


@dataclass(frozen=True, slots=True)
class RestoreDone:
    """``key_trouble`` says why the daemon will not start with the badge key that is there; "" where it will.

    ``warnings`` are about the rights of the folder. ``key_aside`` is the key that gave way to the one of the backup.
    """

    restored: Restored
    duration_s: float
    key_trouble: str
    key_aside: Path | None = None
    warnings: tuple[str, ...] = ()


def back_up(
    journal: Path, target: Path, key_file: Path, *, with_key: bool, replace: bool, on_step: OnStep
) -> BackupMade:
    """Beside a daemon or without one. Raises as store.sqlite.backup.taking.take_backup does, or BadBadgeKey."""
    clock = SystemClock()
    begun_us = clock.monotonic_us()

    def key(key_id: str) -> bytes | None:
        if not with_key:
            return None
        content = read_key(key_file)
        if key_id and check_value(content) != key_id:
            raise BadBadgeKey(key_file, "is another key than this journal's; name the right one, or back up without it")
        return content

    manifest = take_backup(journal, target, clock, key=key, replace=replace, on_step=on_step)
    duration_s = (clock.monotonic_us() - begun_us) / 1e6
    return BackupMade(manifest, target.stat().st_size, duration_s, note_backup(journal.parent, manifest.made_us))


async def restore(backup: Path, journal: Path, key_file: Path, *, accept_loss: bool) -> RestoreDone:
    """No daemon may run. Raises as store.sqlite.backup.restoring.restore_backup does, or BadBadgeKey."""
    clock = SystemClock()
    begun_us = clock.monotonic_us()
    read_manifest(backup)  # before a folder is made for what is none
    warnings = tuple(prepare_folder(journal.parent))
    restored = await restore_backup(backup, journal, clock, accept_loss=accept_loss)
    manifest = restored.manifest
    aside = None if manifest.key is None else _put(key_file, manifest.key)
    return RestoreDone(
        restored=restored,
        duration_s=(clock.monotonic_us() - begun_us) / 1e6,
        key_trouble=key_trouble(key_file, manifest.state.key_id or None),
        key_aside=aside,
        warnings=warnings,
    )


def _put(key_file: Path, content: bytes) -> Path | None:
    """The key of the backup in the place of another one, which is kept under a name beside it."""
    aside = None
    if key_file.exists():
        if key_file.read_bytes().strip() == content.strip():
            return None
        aside = set_aside(key_file)
    put_key(key_file, content)
    return aside
