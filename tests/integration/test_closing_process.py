"""The process that packs a period ends before it answers: nothing is closed, and it is said."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from pagereeve.app.daemon import App
from tests.credentials import bearer
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.test_closing_page import MONTH, data_folder
from tests.integration.test_deciding import credentials_in


async def test_a_process_that_ends_closes_nothing_and_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/true")  # it ends before it answers
    folder = await data_folder(tmp_path)
    async with App(hasty_settings(folder, (), http=credentials_in(tmp_path)), first_reads_spread_s=0.0) as app:
        async with Outside(app) as outside:
            headers = {"Authorization": bearer("sees")}
            answer = await outside.client.post(f"{outside.url}/v1/periods/{MONTH}/close", json={}, headers=headers)
        assert answer.status_code == 409
        assert "ended before it answered" in answer.json()["detail"]
        assert app.closings.state is not None
        assert not await app.store.closed_periods()
