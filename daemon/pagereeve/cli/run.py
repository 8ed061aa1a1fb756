"""``pagereeve run``."""

from __future__ import annotations

import faulthandler
import sys
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.daemon import StartOptions, run_daemon
from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.settings import load_settings
from pagereeve.telemetry.logs import set_up_logs


def run(
    *,
    new: Annotated[
        bool, Parameter(negative="", help="Begin an empty journal, though files show that there was one.")
    ] = False,
    accept_loss: Annotated[
        bool, Parameter(negative="", help="Go on with a journal that holds less than was acknowledged.")
    ] = False,
    config: Config = CONFIG_DEFAULT,
) -> None:
    """Run the daemon until SIGTERM or Ctrl-C. Exit status 2 if it can't start."""
    settings = load_settings(config)
    targets = settings.targets()
    secrets = [target.community for target in targets]
    secrets += [
        word for target in targets if (user := target.user) for word in (user.auth_password, user.priv_password)
    ]
    secrets += [token.get_secret_value() for token in settings.http_tokens()]
    set_up_logs(settings.log.format, settings.log.level, sys.stderr, secrets)
    # A service manager ends a stuck process by SIGABRT: its stacks are then in the log.
    faulthandler.enable()
    run_daemon(settings, StartOptions(new, accept_loss))
