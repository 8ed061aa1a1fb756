"""``pagereeve run``."""

from __future__ import annotations

import faulthandler
import signal
import sys
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.oidc import oidc_secrets
from pagereeve.app.running import run_daemon
from pagereeve.app.settings_file import SettingsFile
from pagereeve.app.start_options import StartOptions
from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.settings import Settings, load_settings
from pagereeve.telemetry.logs import set_up_logs

New = Annotated[
    bool, Parameter(negative="", help="Start with an empty journal, even if files show that there was one.")
]
AcceptLoss = Annotated[
    bool,
    Parameter(negative="", help="Start even if the journal lacks facts that were acknowledged; the loss is recorded."),
]
NewBadgeKey = Annotated[
    bool,
    Parameter(
        negative="",
        help="Make a new badge key: the old one is lost for good. Badges recorded before are not recognised any more.",
    ),
]


def run(
    *,
    new: New = False,
    accept_loss: AcceptLoss = False,
    new_badge_key: NewBadgeKey = False,
    config: Config = CONFIG_DEFAULT,
) -> None:
    """Run the daemon until SIGTERM or Ctrl-C; SIGHUP reads the settings again. Exit status 2 if it can't start."""
    # A reload that is asked for before the daemon can do it must not end it.
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    settings = load_settings(config)
    redactor = set_up_logs(settings.log.format, settings.log.level, sys.stderr, _secrets_of(settings))
    # A service manager ends a stuck process by SIGABRT: its stacks are then in the log.
    faulthandler.enable()

    def learn(wanted: Settings) -> None:
        redactor.learn(_secrets_of(wanted))

    run_daemon(settings, StartOptions(new, accept_loss, new_badge_key), SettingsFile(config, learn))


def _secrets_of(settings: Settings) -> list[str]:
    targets = settings.targets()
    secrets = [target.community for target in targets]
    secrets += [
        word for target in targets if (user := target.user) for word in (user.auth_password, user.priv_password)
    ]
    secrets += oidc_secrets(settings)
    return secrets + [one.secret.get_secret_value() for one in settings.http_credentials()]
