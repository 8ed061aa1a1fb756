"""Messages by e-mail: SMTP (RFC 5321) with STARTTLS (RFC 3207) or TLS from the start (RFC 8314), login by RFC 4954.

One connection a message. What a recipient's server has accepted is remembered, so that a message sent again because it
was put off for one recipient doesn't reach the others twice.
"""

from __future__ import annotations

import asyncio
import ssl
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final, Literal

from aiosmtplib import (
    SMTP,
    SMTPAuthenticationError,
    SMTPDataError,
    SMTPException,
    SMTPRecipientsRefused,
    SMTPResponseException,
    SMTPSenderRefused,
)

from pagereeve.domain.alerts.message import Notification
from pagereeve.ports.receiver import NotDelivered
from pagereeve.receivers.events import EventReceiver
from pagereeve.receivers.mail.text import mail_of, octets_of
from pagereeve.receivers.wording import one_line

MailTls = Literal["auto", "require", "implicit", "none"]

CONNECT_S: Final = 10.0
GOODBYE_S: Final = 2.0
REMEMBERED_MAX: Final = 1_000
SHOWN: Final = 200
# RFC 3207 section 4 and RFC 4954 section 6: the server wants TLS or a login first, whatever the message.
NOT_LET_IN: Final = frozenset({530, 535, 538})


@dataclass(frozen=True, slots=True)
class MailConfig:
    """``tls``: "require" and "implicit" are STARTTLS and TLS from the start, and the certificate is checked.

    "auto" takes STARTTLS where it is offered, whatever the certificate (RFC 7435): that hides the message from those
    who only listen, and no more. ``context`` is used as it is; None: one by these rules, with the system's
    certificates. ``host_name`` is who we say we are (EHLO).
    """

    name: str
    host: str
    port: int
    sender: str
    recipients: tuple[str, ...]
    tls: MailTls = "auto"
    user: str = ""
    password: str = field(default="", repr=False)
    total_s: float = 30.0
    context: ssl.SSLContext | None = field(default=None, repr=False)
    host_name: str = "localhost"


class MailReceiver(EventReceiver):
    """ports.notify.Receiver for events: the server's 250 after the text says that it has it (RFC 5321 4.2.5)."""

    def __init__(self, config: MailConfig) -> None:
        super().__init__(config.name)
        self._config = config
        self._context = config.context or default_context(config.tls)
        self._accepted: OrderedDict[str, frozenset[str]] = OrderedDict()

    async def deliver(self, notification: Notification) -> None:
        """Raises NotDelivered, also where only some of the recipients were refused; the others have it then."""
        config = self._config
        accepted = self._accepted.get(notification.id, frozenset())
        wanted = tuple(one for one in config.recipients if one not in accepted)
        if not wanted:
            return
        body = octets_of(mail_of(notification, config.sender, config.recipients))
        place = f"{config.host}:{config.port}"
        try:
            refused = await self._send(wanted, body)
        except TimeoutError as error:
            raise NotDelivered(f"{place} did not answer in time") from error
        except SMTPAuthenticationError as error:
            # Its text may quote what was sent.
            raise NotDelivered(f"{place} refused the login ({error.code})") from None
        except (SMTPException, OSError) as error:
            raise refusal(place, error) from error
        self._remember(notification.id, accepted | (frozenset(wanted) - refused.keys()))
        if refused:
            raise NotDelivered(f"{place} refused {_refusals(refused.values())}", of_message=_final(refused.values()))

    async def _send(self, recipients: Sequence[str], body: bytes) -> dict[str, tuple[int, str]]:
        client = self._client()
        try:
            async with asyncio.timeout(self._config.total_s):
                await client.connect()
                refused, _ = await client.sendmail(self._config.sender, recipients, body)
            # The server has accepted it, so an error at QUIT does not matter.
            with suppress(SMTPException, OSError):
                await client.quit(timeout=GOODBYE_S)
        finally:
            client.close()
        return {recipient: (answer.code, answer.message) for recipient, answer in refused.items()}

    def _client(self) -> SMTP:
        config = self._config
        return SMTP(
            hostname=config.host,
            port=config.port,
            username=config.user or None,
            password=config.password or None,
            local_hostname=config.host_name,
            timeout=min(CONNECT_S, config.total_s),
            use_tls=config.tls == "implicit",
            start_tls={"auto": None, "require": True, "implicit": False, "none": False}[config.tls],
            tls_context=self._context,
        )

    def _remember(self, message: str, recipients: frozenset[str]) -> None:
        self._accepted[message] = recipients
        self._accepted.move_to_end(message)
        while len(self._accepted) > REMEMBERED_MAX:
            self._accepted.popitem(last=False)


def default_context(tls: MailTls, ca_file: str | None = None) -> ssl.SSLContext:
    """Checks the certificate, except where any TLS is accepted ("auto" without a ``ca_file``)."""
    context = ssl.create_default_context(cafile=ca_file)
    if tls == "auto" and ca_file is None:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def refusal(place: str, error: SMTPException | OSError) -> NotDelivered:
    """What an error of the whole transaction means. 5yz is final for this message; 4yz and lost connections are not."""
    if isinstance(error, SMTPRecipientsRefused):
        answers = [(one.code, one.message) for one in error.recipients]
        return NotDelivered(f"{place} refused {_refusals(answers)}", of_message=_final(answers))
    if isinstance(error, SMTPSenderRefused | SMTPDataError):
        answers = [(error.code, error.message)]
        return NotDelivered(f"{place} refused the message: {_shown(*answers[0])}", of_message=_final(answers))
    if isinstance(error, SMTPResponseException):
        return NotDelivered(f"{place} takes nothing at present: {_shown(error.code, error.message)}")
    return NotDelivered(f"{place} can't be used: {one_line(str(error), SHOWN) or type(error).__name__}")


def _final(answers: Iterable[tuple[int, str]]) -> bool:
    return all(500 <= code <= 599 and code not in NOT_LET_IN for code, _ in answers)


def _refusals(answers: Iterable[tuple[int, str]]) -> str:
    answered = [_shown(code, text) for code, text in answers]
    return f"{len(answered)} recipient{'' if len(answered) == 1 else 's'}: {one_line('; '.join(answered), SHOWN)}"


def _shown(code: int, text: str) -> str:
    return f"{code} {one_line(text, SHOWN)}".strip()
