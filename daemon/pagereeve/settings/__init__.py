"""What can be set, from a TOML file and the environment."""

from __future__ import annotations

from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.lines.settings import LineFeedSettings
from pagereeve.feeds.local.settings import LocalSettings
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.setting_types import Duration, HostPort
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from pagereeve.receivers.mail.settings import MailSettings
from pagereeve.receivers.syslog.settings import SyslogSettings
from pagereeve.receivers.webhook.settings import WebhookSettings
from pagereeve.settings.alerts import AlertSettings, QuietSettings
from pagereeve.settings.badge_forms import BadgeFormSettings
from pagereeve.settings.errors import BadList, BadSettings, Problem
from pagereeve.settings.feeds import FeedSettings
from pagereeve.settings.lists.people import read_people
from pagereeve.settings.load import load_settings
from pagereeve.settings.model import Settings
from pagereeve.settings.policies import PolicyOverrides, PolicySettings
from pagereeve.settings.registry import GatewaySettings, PrinterSettings, ReaderSettings
from pagereeve.settings.sections import (
    BadgeSettings,
    ClockSettings,
    LimitSettings,
    LogSettings,
    MeterSettings,
    MetricsSettings,
    PeopleSettings,
    PrivacySettings,
    WatchSettings,
)

__all__ = [
    "AlertSettings",
    "AlertmanagerSettings",
    "BadList",
    "BadSettings",
    "BadgeFormSettings",
    "BadgeSettings",
    "ClockSettings",
    "Duration",
    "FeedSettings",
    "GatewaySettings",
    "HostPort",
    "HttpSettings",
    "LimitSettings",
    "LineFeedSettings",
    "LocalSettings",
    "LogSettings",
    "MailSettings",
    "MeterSettings",
    "MetricsSettings",
    "PeopleSettings",
    "PolicyOverrides",
    "PolicySettings",
    "PrinterSettings",
    "PrivacySettings",
    "Problem",
    "QuietSettings",
    "ReaderSettings",
    "RelaySettings",
    "Settings",
    "SyslogSettings",
    "WatchSettings",
    "WebhookSettings",
    "load_settings",
    "read_people",
]
