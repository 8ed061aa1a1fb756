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
from typing import Final

from aiosmtplib import (
    SMTP,
    SMTPAuthenticationError,
    SMTPDataError,
    SMTPException,
    SMTPRecipientsRefused,
    SMTPResponseException,
    SMTPSenderRefused,
)
from pydantic import SecretStr

from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.amounts import amount
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.secrets import secret_from_file
from pagereeve.receivers.events import EventReceiver
from pagereeve.receivers.kind import certificates, host_name
from pagereeve.receivers.mail.settings import MailSettings, MailTls
from pagereeve.receivers.mail.text import mail_of, octets_of
from pagereeve.receivers.wording import one_line

CONNECT_S: Final = 10.0
GOODBYE_S: Final = 2.0
REMEMBERED_MAX: Final = 1_000
SHOWN: Final = 200
# RFC 3207 section 4 and RFC 4954 section 6: the server wants TLS or a login first, whatever the message.
NOT_LET_IN: Final = frozenset({530, 535, 538})


class MailReceiver(EventReceiver):
    """ports.notify.Receiver for events: the server's 250 after the text says that it has it (RFC 5321 4.2.5).

    ``context`` is used as it is; None: ``default_context``. ``host_name`` is who we say we are (EHLO).
    """

    def __init__(
        self,
        settings: MailSettings,
        *,
        password: str = "",
        context: ssl.SSLContext | None = None,
        host_name: str = "localhost",
    ) -> None:
        super().__init__(settings.name)
        self._settings = settings
        self._password = SecretStr(password)
        self._context = context or default_context(settings.tls)
        self._host_name = host_name
        self._accepted: OrderedDict[str, frozenset[str]] = OrderedDict()

    async def deliver(self, notification: Notification) -> None:
        """Raises NotDelivered, also where only some of the recipients were refused; the others have it then."""
        settings = self._settings
        accepted = self._accepted.get(notification.id, frozenset())
        wanted = tuple(one for one in settings.recipients if one not in accepted)
        if not wanted:
            return
        body = octets_of(mail_of(notification, settings.sender, settings.recipients))
        place = f"{settings.server.host}:{settings.server.port}"
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
            async with asyncio.timeout(self._settings.timeout.seconds):
                await client.connect()
                refused, _ = await client.sendmail(self._settings.sender, recipients, body)
            # The server has accepted it, so an error at QUIT does not matter.
            with suppress(SMTPException, OSError):
                await client.quit(timeout=GOODBYE_S)
        finally:
            client.close()
        return {recipient: (answer.code, answer.message) for recipient, answer in refused.items()}

    def _client(self) -> SMTP:
        settings = self._settings
        return SMTP(
            hostname=settings.server.host,
            port=settings.server.port,
            username=settings.user or None,
            password=self._password.get_secret_value() or None,
            local_hostname=self._host_name,
            timeout=min(CONNECT_S, settings.timeout.seconds),
            use_tls=settings.tls == "implicit",
            start_tls={"auto": None, "require": True, "implicit": False, "none": False}[settings.tls],
            tls_context=self._context,
        )

    def _remember(self, message: str, recipients: frozenset[str]) -> None:
        self._accepted[message] = recipients
        self._accepted.move_to_end(message)
        while len(self._accepted) > REMEMBERED_MAX:
            self._accepted.popitem(last=False)


def make_mail(settings: MailSettings, _: Clock) -> MailReceiver:
    """Raises NoSecret."""
    return MailReceiver(
        settings,
        password="" if settings.password_file is None else secret_from_file(settings.password_file),
        context=certificates(settings.ca_file),
        host_name=host_name(),
    )


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
    return f"{amount(len(answered), 'recipient')}: {one_line('; '.join(answered), SHOWN)}"


def _shown(code: int, text: str) -> str:
    return f"{code} {one_line(text, SHOWN)}".strip()
