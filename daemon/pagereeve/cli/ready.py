"""``pagereeve ready``."""

from __future__ import annotations

from pagereeve.app.daemon_client import readiness_of
from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.cli.output import complain, say
from pagereeve.settings import load_settings


def ready(*, config: Config = CONFIG_DEFAULT) -> int:
    """Ask the running daemon whether all of it works, as its page /readyz says; for health checks.

    Exit status 0 if it does, 1 if a part does not work or no daemon runs, 2 if the settings can't be read.
    """
    settings = load_settings(config)
    http = settings.http
    found = readiness_of(http.listen, settings.local_socket_path, tls=http.certificate_file is not None)
    if found.not_ready is None:
        complain(f"{http.listen}: {found.trouble}")
        return 1
    if found.not_ready:
        say("\n".join(f"{part}: {why}" for part, why in found.not_ready.items()))
        return 1
    say("ready")
    return 0
