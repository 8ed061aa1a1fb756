"""Those who are told of alerts: the one list of kinds. Each is a folder with its table of settings and its maker."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.receivers.alertmanager.alertmanager import make_alertmanager
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from pagereeve.receivers.kind import ReceiverKind
from pagereeve.receivers.mail.mail import make_mail
from pagereeve.receivers.mail.settings import MailSettings
from pagereeve.receivers.syslog.settings import SyslogSettings
from pagereeve.receivers.syslog.syslog import make_syslog
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.receivers.webhook.webhook import make_webhook

RECEIVERS: Final[tuple[ReceiverKind[Any], ...]] = (
    ReceiverKind("alertmanagers", AlertmanagerSettings, make_alertmanager),
    ReceiverKind("webhooks", WebhookSettings, make_webhook),
    ReceiverKind("mails", MailSettings, make_mail),
    ReceiverKind("syslogs", SyslogSettings, make_syslog),
)
