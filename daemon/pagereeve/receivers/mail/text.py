"""A message as an e-mail: plain text and HTML beside each other, one thread for each alert.

Mail clients thread by References (RFC 5322 section 3.6.4) and by the subject without its prefix, which is
"Re:" and what is in square brackets (RFC 5256 section 2.1). So the subject never changes, but for "Re: " before every
later message and "Re: [over] " before the last.
"""

from __future__ import annotations

import hashlib
from datetime import timedelta
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from typing import Final
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.instants import EPOCH
from pagereeve.receivers.wording import behind, bounded, parts, plain_text, stable_subject, standing

COLOURS: Final[dict[Severity, str]] = {"critical": "#b00020", "warning": "#b36b00", "info": "#1f5fa8"}
COLOUR_OVER: Final = "#2e7d32"
ID_MAX: Final = 64
# An identifier that is folded or encoded is another one; no header here comes near this (RFC 5322 section 2.1.1).
_HEADERS_UNFOLDED: Final = SMTP.clone(max_line_length=900)
_TEMPLATES: Final = Environment(
    loader=PackageLoader("pagereeve.receivers.mail"), autoescape=True, undefined=StrictUndefined, auto_reload=False
)


def mail_of(notification: Notification, sender: str, recipients: tuple[str, ...]) -> EmailMessage:
    """The whole e-mail. Addresses are ``local@domain`` in ASCII; the same message makes the same mail each time."""
    domain = sender.rpartition("@")[2]
    mail = EmailMessage(SMTP)
    mail["From"] = Address(display_name="Pagereeve", addr_spec=sender)
    mail["To"] = [Address(addr_spec=recipient) for recipient in recipients]
    mail["Subject"] = prefix_of(notification) + stable_subject(notification)
    mail["Date"] = EPOCH + timedelta(microseconds=notification.at_us)
    mail["Message-ID"] = message_id(notification.alert, notification.nth, domain)
    if notification.nth > 1:
        first = message_id(notification.alert, 1, domain)
        mail["In-Reply-To"] = first
        mail["References"] = first
    # RFC 3834 section 5: no machine answers this.
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(plain_text(notification), cte="quoted-printable")
    mail.add_alternative(html_of(notification), subtype="html", cte="quoted-printable")
    mail.set_boundary(f"=-{hashlib.sha256(notification.id.encode()).hexdigest()[:32]}")
    return mail


def octets_of(mail: EmailMessage) -> bytes:
    """As it goes over the wire."""
    return mail.as_bytes(policy=_HEADERS_UNFOLDED)


def prefix_of(notification: Notification) -> str:
    """The prefix of the subject."""
    if notification.is_over:
        return "Re: [over] "
    return "Re: " if notification.nth > 1 else ""


def message_id(alert: str, nth: int, domain: str) -> str:
    """``<alert.nth@domain>``, the same each time; the left part is a dot-atom (RFC 5322 section 3.6.4)."""
    local = quote(alert, safe="").replace(".", "%2E")
    if len(local) > ID_MAX:
        local = hashlib.sha256(alert.encode()).hexdigest()
    return f"<{local}.{nth}@{domain}>"


def html_of(notification: Notification) -> str:
    """The message as HTML without any reference to the network."""
    known = bounded(notification)
    return _TEMPLATES.get_template("mail.html").render(
        known=known,
        standing=standing(known),
        parts=parts(known),
        behind=behind(known),
        colour=COLOUR_OVER if known.is_over else COLOURS[known.severity],
    )
