"""The running daemon gives its journal's head away: in the log, over HTTP, as a count in the metrics."""

from __future__ import annotations

from pathlib import Path

from structlog.testing import capture_logs

from pagereeve.app.daemon import App
from pagereeve.queries.verify import HeldHead
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.integration.daemon import Outside, hasty_settings
from tests.sealed_journal import verified


def settings_of(folder: Path) -> Settings:
    return hasty_settings(folder, [PrinterSettings(name="hall", host="127.0.0.1", port=7)])


async def test_the_head_is_in_the_log_and_over_http_and_verify_may_run_beside(tmp_path: Path) -> None:
    with capture_logs() as lines:
        async with App(settings_of(tmp_path), first_reads_spread_s=60) as app, Outside(app) as outside:
            assert (await outside.started("r1", "hall", 1)).status_code == 200
            answer = await outside.client.get(f"{outside.url}/v1/seal")
            assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-store")
            seal = answer.json()
            assert set(seal) == {"origin", "size", "head", "older", "since", "time"}
            assert seal["size"] >= 1
            held = HeldHead(seal["head"], seal["size"], seal["origin"])
            assert (await verified(tmp_path / JOURNAL_NAME, held)).is_good
            page = (await outside.client.get(f"{outside.url}/metrics")).text
            assert seal["head"] not in page
            [count] = [line for line in page.splitlines() if line.startswith("pagereeve_journal_sealed_facts ")]
            assert float(count.split()[1]) >= seal["size"]
            assert (await outside.client.post(f"{outside.url}/v1/seal")).status_code == 405
    told = [line for line in lines if line["event"] == "the journal is sealed"]
    first, last = told[0], told[-1]
    assert (first["size"], first["origin"]) == (0, seal["origin"])
    assert last["size"] >= seal["size"]
    heads = [HeldHead(one["head"], one["size"], one["origin"]) for one in told]
    done = await verified(tmp_path / JOURNAL_NAME, held, *heads)
    assert done.is_good
    # What the stop itself stores is before the last line.
    assert done.head is not None
    assert (done.head.size, done.head.head) == (last["size"], last["head"])
