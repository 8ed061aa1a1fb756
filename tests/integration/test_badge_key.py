"""The daemon and its badge key: written durably before the first badge, and missed when it is not the journal's."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pagereeve.app.badge_key_file import BadBadgeKey
from pagereeve.app.daemon import App
from pagereeve.app.start_options import StartOptions
from pagereeve.domain.facts.facts import BadgePresented
from tests.integration.daemon import Outside, hasty_settings


async def present(app: App, name: str) -> str:
    """A badge comes in; what the journal then knows it by."""
    async with Outside(app) as outside:
        data = {"badge": "04A32B1C99", "gateway": "gw"}
        assert (await outside.send("pagereeve.badge.presented.v1", name, data)).status_code == 200
    stored = [fact async for fact in app.store.badge_facts() if isinstance(fact, BadgePresented)]
    return next(fact.badge for fact in stored if fact.origin.id == name)


@pytest.mark.parametrize("content", ["", "0" * 64, None])
async def test_a_key_that_is_not_the_journals_stops_the_start_and_the_right_one_goes_on(
    tmp_path: Path, content: str | None
) -> None:
    settings = hasty_settings(tmp_path / "data", [])
    key = settings.badge_key_file
    before = os.umask(0)
    try:
        async with App(settings) as app:
            first = await present(app, "b-1")
            modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in settings.data_dir.iterdir()}
    finally:
        os.umask(before)
    assert set(modes.values()) == {0o600}
    assert {"badge.key", "journal.sqlite", "journal.sqlite-wal"} <= modes.keys()
    assert stat.S_IMODE(settings.data_dir.stat().st_mode) == 0o700
    backup = key.read_bytes()
    if content is None:
        key.unlink()
    else:
        key.write_text(content)
    for _ in range(2):
        with pytest.raises(BadBadgeKey, match=r"badge\.key: .* from the backup"):
            async with App(settings):
                pass
    key.write_bytes(backup)
    key.chmod(0o600)
    async with App(settings) as app:
        assert await present(app, "b-2") == first


async def test_a_lost_key_is_given_up_only_when_told(tmp_path: Path) -> None:
    settings = hasty_settings(tmp_path, [])
    async with App(settings) as app:
        first = await present(app, "b-1")
    settings.badge_key_file.write_bytes(b"")
    async with App(settings, options=StartOptions(new_badge_key=True)) as app:
        second = await present(app, "b-2")
    assert second != first
    async with App(settings) as app:
        assert await present(app, "b-3") == second
