"""The e-mail receiver against a real mail server: TLS in its kinds, logins, refusals, and who gets what how often."""

from __future__ import annotations

import asyncio
import ssl
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.setting_types import Duration, HostPort
from pagereeve.receivers.mail.mail import MailReceiver
from pagereeve.receivers.mail.settings import MailSettings
from tests.integration.certificates import Certificate, self_made
from tests.integration.processes import free_tcp_port
from tests.integration.serving import serving
from tests.notices import notice, over

SENDER = "pagereeve@college.example"
DAY, NIGHT = "day@college.example", "night@college.example"
PASSWORD = "hidden-password"


@dataclass
class Office:
    """What a mail server takes, and what it says to each recipient and message."""

    port: int = 0
    recipients: dict[str, str] = field(default_factory=dict)
    text: str = "250 OK"
    sender: str = "250 OK"
    taken: list[tuple[tuple[str, ...], EmailMessage, bool]] = field(default_factory=list)
    logins: list[bytes] = field(default_factory=list)

    async def handle_MAIL(  # noqa: N802 - aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.mail_from = address
        return self.sender

    async def handle_RCPT(  # noqa: N802 - aiosmtpd's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = self.recipients.get(address, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.text.startswith("250"):
            assert isinstance(envelope.content, bytes)
            mail = message_from_bytes(envelope.content, policy=default)
            assert isinstance(mail, EmailMessage)
            self.taken.append((tuple(envelope.rcpt_tos), mail, session.ssl is not None))
        return self.text

    def authenticate(self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        self.logins.append(data.login)
        return AuthResult(success=data.password == PASSWORD.encode(), handled=False)


@contextmanager
def mail_server(**more: Any) -> Iterator[Office]:
    office = Office(free_tcp_port())
    more.setdefault("authenticator", office.authenticate)
    controller = Controller(office, hostname="127.0.0.1", port=office.port, ready_timeout=10.0, **more)
    controller.start()
    try:
        yield office
    finally:
        controller.stop()


@pytest.fixture
def office() -> Iterator[Office]:
    with mail_server() as server:
        yield server


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return self_made(tmp_path_factory.mktemp("certificate"))


def receiver(
    office: Office,
    *recipients: str,
    total_s: float = 30.0,
    password: str = "",
    context: ssl.SSLContext | None = None,
    **more: Any,
) -> MailReceiver:
    """Past the checks of the settings: what they refuse (a hasty limit, a password without TLS) is tried here too."""
    settings = MailSettings(
        name="mail", server=HostPort("127.0.0.1", office.port), sender=SENDER, recipients=recipients or (DAY, NIGHT)
    )
    changed = settings.model_copy(update={"timeout": Duration(round(total_s * 1e6)), **more})
    return MailReceiver(changed, password=password, context=context)


async def refused(one: MailReceiver) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        await one.deliver(notice())
    await one.close()
    assert "hidden" not in "".join(traceback.format_exception(caught.value))
    return caught.value


async def test_an_alert_is_one_thread_for_all_recipients(office: Office) -> None:
    one = receiver(office)
    for message in (notice(), notice(nth=2, step="updated"), over()):
        await one.deliver(message)
    assert [recipients for recipients, _, _ in office.taken] == [(DAY, NIGHT)] * 3
    mails = [mail for _, mail, _ in office.taken]
    first = mails[0]["Message-ID"]
    assert [mail["References"] for mail in mails] == [None, first, first]
    assert mails[2]["Subject"] == "Re: [over] Pagereeve: meter silent (library-1)"
    assert mails[0]["To"] == f"{DAY}, {NIGHT}"
    bodies = [mail.get_body(("plain",)) for mail in mails]
    assert all(body is not None and "What to do first" in body.get_content() for body in bodies[:2])


async def test_text_of_any_kind_arrives_as_it_was(office: Office) -> None:
    await receiver(office).deliver(notice(what="Zoë, 打印机.\n.\n..dots", subject="Zoë"))
    ((_, mail, _),) = office.taken
    plain = mail.get_body(("plain",))
    assert plain is not None
    assert "  Zoë, 打印机. . ..dots\r\n" in plain.get_content().replace("\r\n", "\n").replace("\n", "\r\n")
    assert mail["Subject"] == "Pagereeve: meter silent (Zoë)"


async def test_a_message_that_was_taken_is_not_sent_again(office: Office) -> None:
    one = receiver(office)
    await one.deliver(notice())
    await one.deliver(notice())
    assert len(office.taken) == 1


async def test_a_recipient_who_was_put_off_gets_it_later_and_the_other_only_once(office: Office) -> None:
    one = receiver(office)
    office.recipients[NIGHT] = "451 4.7.1 greylisted, come again"
    error = await refused(one)
    assert not error.of_message
    assert "greylisted" in str(error)
    office.recipients.clear()
    await one.deliver(notice())
    assert [recipients for recipients, _, _ in office.taken] == [(DAY,), (NIGHT,)]
    assert {mail["Message-ID"] for _, mail, _ in office.taken} == {"<a-5f0c9d7e21b4.1@college.example>"}


@pytest.mark.parametrize(
    ("answers", "of_message"),
    [
        ({NIGHT: "550 5.1.1 no such user"}, True),
        ({DAY: "550 5.1.1 no such user", NIGHT: "550 5.1.1 no such user"}, True),
        ({DAY: "550 5.1.1 no such user", NIGHT: "450 4.2.1 later"}, False),
        ({DAY: "450 4.2.1 later", NIGHT: "450 4.2.1 later"}, False),
        ({DAY: "530 5.7.0 say who you are", NIGHT: "530 5.7.0 say who you are"}, False),
    ],
)
async def test_refused_recipients(office: Office, answers: dict[str, str], of_message: bool) -> None:
    office.recipients.update(answers)
    error = await refused(receiver(office))
    assert error.of_message is of_message
    assert next(iter(answers.values())) in str(error)
    assert [recipients for recipients, _, _ in office.taken] == ([(DAY,)] if DAY not in answers else [])


@pytest.mark.parametrize(
    ("change", "of_message"),
    [
        ({"text": "554 5.6.0 we don't like it"}, True),
        ({"text": "451 4.3.0 disk is full"}, False),
        ({"sender": "550 5.7.1 not from you"}, True),
        ({"sender": "452 4.3.1 later"}, False),
    ],
)
async def test_refused_messages(office: Office, change: dict[str, str], of_message: bool) -> None:
    for name, value in change.items():
        setattr(office, name, value)
    error = await refused(receiver(office))
    assert error.of_message is of_message
    assert next(iter(change.values())) in str(error)
    assert office.taken == []


async def test_nobody_there(office: Office) -> None:
    office.port = free_tcp_port()
    error = await refused(receiver(office))
    assert not error.of_message
    assert f"127.0.0.1:{office.port}" in str(error)


@pytest.mark.parametrize(
    ("greeting", "text"), [(b"", "in time"), (b"554 5.3.2 closed\r\n", "closed"), (b"x\r\n", "Malformed")]
)
async def test_a_server_that_says_nothing_or_nonsense(office: Office, greeting: bytes, text: str) -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        await reader.read()

    async with serving(serve) as office.port:
        began = time.monotonic()
        error = await refused(receiver(office, total_s=0.7))
        assert time.monotonic() - began < 5
    assert not error.of_message
    assert text in str(error)


async def test_starttls_that_is_required_is_checked(certificate: Certificate) -> None:
    with mail_server(tls_context=certificate.server()) as office:
        error = await refused(receiver(office, tls="require"))
        assert not error.of_message
        assert office.taken == []
        await receiver(office, tls="require", context=certificate.client()).deliver(notice())
        assert [secure for _, _, secure in office.taken] == [True]


async def test_starttls_that_is_required_and_not_offered_sends_nothing(office: Office) -> None:
    error = await refused(receiver(office, tls="require"))
    assert not error.of_message
    assert office.taken == []


async def test_starttls_is_taken_where_it_is_offered(certificate: Certificate, office: Office) -> None:
    with mail_server(tls_context=certificate.server()) as offering:
        await receiver(offering).deliver(notice())
        await receiver(offering, tls="none").deliver(notice())
        assert [secure for _, _, secure in offering.taken] == [True, False]
    await receiver(office).deliver(notice())
    assert [secure for _, _, secure in office.taken] == [False]


async def test_tls_from_the_start(certificate: Certificate) -> None:
    with mail_server(ssl_context=certificate.server()) as office:
        assert not (await refused(receiver(office, tls="implicit"))).of_message
        await receiver(office, tls="implicit", context=certificate.client()).deliver(notice())
        assert len(office.taken) == 1


async def test_a_login(certificate: Certificate) -> None:
    context: Callable[[], ssl.SSLContext] = certificate.client
    more: dict[str, Any] = {"tls": "require", "user": "pagereeve", "context": context()}
    with mail_server(tls_context=certificate.server(), auth_required=True, require_starttls=True) as office:
        await receiver(office, password=PASSWORD, **more).deliver(notice())
        assert office.logins == [b"pagereeve"]
        error = await refused(receiver(office, password="hidden-wrong", **more))
        assert not error.of_message
        assert "refused the login (535)" in str(error)
        unknown = await refused(receiver(office, tls="require", context=context()))
        assert not unknown.of_message
        assert len(office.taken) == 1


async def test_a_login_that_is_not_offered_is_no_login(office: Office) -> None:
    error = await refused(receiver(office, user="pagereeve", password=PASSWORD))
    assert not error.of_message
    assert office.taken == []


async def test_what_is_remembered_has_a_limit(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pagereeve.receivers.mail.mail.REMEMBERED_MAX", 2)
    one = receiver(office)
    for nth in (1, 2, 3, 1, 3):
        await one.deliver(notice(nth=nth))
    assert [mail["Message-ID"][len("<a-5f0c9d7e21b4.")] for _, mail, _ in office.taken] == ["1", "2", "3", "1"]


def test_the_certificate_file_is_pem(certificate: Certificate) -> None:
    assert Path(certificate.certificate).read_text().startswith("-----BEGIN CERTIFICATE-----")
