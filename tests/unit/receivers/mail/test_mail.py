"""The e-mail of a message: threads, headers that nobody can write into, HTML that nobody can write into."""

from __future__ import annotations

import re
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP, default

import pytest

from pagereeve.domain.alerts.message import Notification
from pagereeve.ports.setting_types import HostPort
from pagereeve.receivers.mail.mail import MailReceiver
from pagereeve.receivers.mail.settings import MailSettings
from pagereeve.receivers.mail.text import html_of, mail_of, message_id, octets_of
from pagereeve.receivers.wording import plain_text
from tests.notices import notice, over

SENDER = "pagereeve@college.example"
TO = ("technicians@college.example", "night@college.example")


def read_back(message: Notification) -> EmailMessage:
    raw = octets_of(mail_of(message, SENDER, TO))
    mail = message_from_bytes(raw, policy=default)
    assert isinstance(mail, EmailMessage)
    assert mail.defects == []
    return mail


def test_headers_and_bodies() -> None:
    mail = read_back(notice())
    assert mail["From"] == f"Pagereeve <{SENDER}>"
    assert mail["To"] == ", ".join(TO)
    assert mail["Subject"] == "Pagereeve: meter silent (library-1)"
    assert mail["Date"] == "Wed, 25 Nov 2026 09:02:00 +0000"
    assert mail["Message-ID"] == "<a-5f0c9d7e21b4.1@college.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert (mail["References"], mail["In-Reply-To"]) == (None, None)
    assert mail.get_content_type() == "multipart/alternative"
    plain, html = mail.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert plain.get_content().replace("\r\n", "\n") == plain_text(notice())
    assert html.get_content_type() == "text/html"
    assert "<code>pagereeve findings show f-0a1b2c3d4e5f</code>" in html.get_content()


def base_subject(subject: str) -> str:
    """RFC 5256 section 2.1 as far as it concerns leaders: "Re:" and what stands in square brackets is taken off."""
    before = None
    while before != subject:
        before = subject
        subject = re.sub(r"^(re|fwd?)\s*(\[[^\[\]]*\]\s*)?:\s*", "", subject, flags=re.IGNORECASE)
        subject = re.sub(r"^\[[^\[\]]*\]\s*(?=\S)", "", subject)
    return subject


def test_the_messages_of_an_alert_are_one_thread() -> None:
    mails = [read_back(one) for one in (notice(), notice(step="updated", nth=2), over())]
    first = mails[0]["Message-ID"]
    assert [mail["Message-ID"] for mail in mails] == [f"<a-5f0c9d7e21b4.{n}@college.example>" for n in (1, 2, 3)]
    assert [mail["References"] for mail in mails] == [None, first, first]
    assert [mail["In-Reply-To"] for mail in mails] == [None, first, first]
    subject = "Pagereeve: meter silent (library-1)"
    assert [mail["Subject"] for mail in mails] == [subject, f"Re: {subject}", f"Re: [over] {subject}"]
    assert {base_subject(mail["Subject"]) for mail in mails} == {subject}


def test_the_same_message_makes_the_same_mail() -> None:
    assert octets_of(mail_of(notice(), SENDER, TO)) == octets_of(mail_of(notice(), SENDER, TO))


@pytest.mark.parametrize(
    "evil", ["x\r\nBcc: all@college.example", "x\nBcc: all@college.example", "x\x00", "x\u2028Bcc: y"]
)
@pytest.mark.parametrize("member", ["subject", "kind", "alert", "title"])
def test_nobody_writes_into_the_headers(member: str, evil: str) -> None:
    mail = read_back(notice(**{member: evil}))
    assert mail["Bcc"] is None
    wanted = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type"}
    assert set(mail.keys()) == wanted


def test_nobody_writes_into_the_html() -> None:
    evil = '<script>alert(1)</script>" onload="x'
    members = ("subject", "title", "what", "cost", "first", "command", "alert")
    html = html_of(notice(**dict.fromkeys(members, evil), evidence=(evil,)))
    assert "<script" not in html
    assert 'onload="' not in html
    assert html.count("&lt;script&gt;") == 8
    assert "http" not in html


def test_long_and_foreign_names_stay_one_header_line_and_one_identifier() -> None:
    mail = mail_of(notice(alert="ä" * 900, subject="打印机" * 40, nth=2), SENDER, TO)
    head = octets_of(mail).split(b"\r\n\r\n")[0]
    identifiers = re.findall(
        rb"(?m)^(?:Message-ID|References|In-Reply-To): (<[a-f0-9]{64}\.[12]@college\.example>)\r?$", head
    )
    assert len(identifiers) == 3
    assert head.isascii()
    read = message_from_bytes(octets_of(mail), policy=default)
    assert str(read["Subject"]).startswith("Re: Pagereeve: meter silent (打印机")


def test_no_line_of_the_body_is_longer_than_a_mail_server_takes() -> None:
    """RFC 2045 section 6.7 (5): 76 characters."""
    raw = octets_of(mail_of(notice(what="word " * 200 + "x" * 300), SENDER, TO))
    body = raw.split(b"\r\n\r\n", 1)[1]
    assert max(map(len, body.split(b"\r\n"))) <= 78
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert SMTP.linesep == "\r\n"


@pytest.mark.parametrize(
    ("alert", "identifier"),
    [
        ("a-1", "<a-1.2@h.example>"),
        ("a.b..c", "<a%2Eb%2E%2Ec.2@h.example>"),
        ("> x@y", "<%3E%20x%40y.2@h.example>"),
    ],
)
def test_identifiers(alert: str, identifier: str) -> None:
    assert message_id(alert, 2, "h.example") == identifier


def test_no_secret_is_shown() -> None:
    settings = MailSettings(name="m", server=HostPort("h", 25), sender=SENDER, recipients=TO)
    assert "hidden" not in repr(vars(MailReceiver(settings, password="hidden")))
