"""``pagereeve alerts`` on a real journal, and a trial message to a real receiver."""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.alerts.alert import SiteLayout, begun
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.findings.finding import make
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.findings import said
from tests.integration.webserver import status, web_server

NOON_US = from_text("2026-11-25T12:00:00Z")
AROUND = SiteLayout()


@pytest.fixture
async def folder(tmp_path: Path) -> Path:
    silent = make("meter-silent", "library-1", (1,), NOON_US, said("reads fail (timeout)"), [said("timeout from noon")])
    waiting = begun(make("surplus", "library-2", (2,), NOON_US, said("8 counted, 5 expected"), []), AROUND, NOON_US)
    alert, message = compose(begun(silent, AROUND, NOON_US), "opened", AROUND, NOON_US + 120 * SECOND_US)
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    messages = [("desk", message), ("mail", message)]
    await journal.announce(Announcement(alerts=[(alert, message), (waiting, None)], messages=messages))
    await journal.part(QueueRemoval("mail", [(message.alert, 1)], NOON_US + 121 * SECOND_US))
    await journal.close()
    return tmp_path


def test_alerts_and_queues_on_one_page(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["alerts", "--data-dir", str(folder)]) == 1
    page = capsys.readouterr().out.splitlines()
    assert page[0] == "stands   critical  library-1: the meter does not answer while a release needs it"
    assert page[1].startswith(f"{'':19}since 2026-11-25 12:00:00")
    assert "pagereeve findings show f-" in page[3]
    assert page[4] == "waits    warning   library-2: surplus"
    assert page[6].startswith("receiver desk: 1 waiting since 2026-11-25 12:02:00")
    assert page[6].endswith("last message accepted: never")
    assert page[7].startswith("receiver mail: no message waits; last message accepted: 2026-11-25 12:02:01")


async def test_without_a_receiver_nobody_was_sent_anything(tmp_path: Path) -> None:
    """An alert counts as sent once its hold is over, whoever listens."""
    (tmp_path / "data").mkdir()
    config = tmp_path / "pagereeve.toml"
    config.write_text('data_dir = "data"\n')
    silent = make("meter-silent", "library-1", (1,), NOON_US, said("reads fail (timeout)"), [])
    alert, message = compose(begun(silent, AROUND, NOON_US), "opened", AROUND, NOON_US + 120 * SECOND_US)
    journal = await SqlJournal.open(tmp_path / "data" / JOURNAL_NAME, SystemClock())
    await journal.announce(Announcement(alerts=[(alert, message)], messages=[]))
    await journal.close()
    _, out, _ = await pagereeve("alerts", "--config", str(config))
    assert "sent to nobody" in out
    assert "1 message" not in out
    assert out.splitlines()[-1].startswith("No receiver: these alerts are sent to nobody. Add one under [alerts]")
    config.write_text('data_dir = "data"\n[[alerts.syslogs]]\nname = "collector"\nserver = "127.0.0.1:1"\n')
    _, out, _ = await pagereeve("alerts", "--config", str(config))
    assert out.splitlines()[-1] == "receiver collector: no message waits; last message accepted: never"


def test_alerts_as_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["alerts", "--json", "--data-dir", str(folder)]) == 1
    told = json.loads(capsys.readouterr().out)
    assert sorted((one["state"], one["subject"]) for one in told["alerts"]) == [
        ("stands", "library-1"),
        ("waits", "library-2"),
    ]
    assert [(one["name"], one["waiting"]) for one in told["receivers"]] == [("desk", 1), ("mail", 0)]


async def pagereeve(*arguments: str) -> tuple[int, str, str]:
    code = "from pagereeve.cli import main; main()"
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", code, *arguments, stdout=pipe, stderr=pipe)
    async with asyncio.timeout(30):
        out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


async def test_a_trial_message_is_taken_or_not_and_both_are_said(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("an invented secret of many octets")
    (tmp_path / "secret").chmod(0o600)
    config = tmp_path / "pagereeve.toml"
    async with web_server() as site:
        table = f'name = "desk"\nurl = "{site.url}/hook"\nsecret_file = "{tmp_path}/secret"\n'
        config.write_text(f'data_dir = "{tmp_path}"\n[[alerts.webhooks]]\n{table}')
        assert await pagereeve("alerts", "try", "desk", "--config", str(config)) == (
            0,
            "desk accepted the test message.\n",
            "",
        )
        event = json.loads(site.requests[0].body)
        assert (event["type"], event["data"]["kind"]) == ("pagereeve.alert.trial.v1", "trial")
        site.answer = lambda _: status("503 Service Unavailable")
        code, out, _ = await pagereeve("alerts", "try", "desk", "--config", str(config))
        assert code == 1
        assert out.startswith("desk did not accept it: ")
        assert "503" in out
        code, _, err = await pagereeve("alerts", "try", "nobody", "--config", str(config))
        assert code == 2
        assert "the settings have desk" in err
