"""``pagereeve alerts try``: what arrives at a real receiver says that it is a test, and looks like no alert."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from tests.integration.test_receivers_alertmanager import QUIET, started
from tests.integration.test_receivers_mail import DAY, NIGHT, SENDER, mail_server

PLAIN = """\
Test message: alerts for this receiver arrive here
Sent {sent}.

What happened:
  Somebody tried whether messages to the receiver desk arrive. This one did. It is no alert.

What to do first:
  Nothing is to be done.

Everything about it:
  pagereeve alerts

Times are those of Europe/Berlin.
"""


def config(folder: Path, table: str) -> str:
    file = folder / "pagereeve.toml"
    file.write_text(f'data_dir = "{folder}"\n[site]\nzone = "Europe/Berlin"\n{table}')
    return str(file)


def test_a_trial_mail_is_a_message_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with mail_server() as office:
        table = f'name = "desk"\nserver = "127.0.0.1:{office.port}"\nsender = "{SENDER}"\nrecipients = ["{DAY}"]\n'
        file = config(tmp_path, f"[[alerts.mails]]\n{table}")
        assert [status_of(["alerts", "try", "desk", "--config", file]) for _ in range(2)] == [0, 0]
    assert capsys.readouterr().out == "desk accepted the test message.\n" * 2
    mails = [mail for _, mail, _ in office.taken]
    for mail in mails:
        assert mail["Subject"] == "Pagereeve: test message to desk, nothing is wrong"
        assert (mail["References"], mail["In-Reply-To"]) == (None, None)
        plain, html = (mail.get_body((kind,)) for kind in ("plain", "html"))
        assert plain is not None
        text = plain.get_content().replace("\r\n", "\n")
        sent = text.splitlines()[1].removeprefix("Sent ").removesuffix(".")
        assert sent.endswith((" CET", " CEST"))
        assert text == PLAIN.format(sent=sent)
        assert html is not None
        for word in ("over", "Over", "Alert a-", "open finding", "still so"):
            assert word not in text + html.get_content(), word
    assert mails[0]["Message-ID"] != mails[1]["Message-ID"]
    assert NIGHT not in str(mails[0]["To"])


def test_the_real_alertmanager_accepts_a_trial_and_has_no_alert_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for manager in started(tmp_path, QUIET):
        file = config(tmp_path, f'[[alerts.alertmanagers]]\nname = "desk"\nurl = "{manager.url}"\n')
        assert status_of(["alerts", "try", "desk", "--config", file]) == 0
        assert asyncio.run(manager.alerts()) == []
    assert capsys.readouterr().out == "desk accepted the test message.\n"
