"""Settings read again while the daemon runs: everything is looked at before anything changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Self

from pagereeve.app.http_door import certificate_of
from pagereeve.app.oidc import require_oidc
from pagereeve.app.registered import registered_printers
from pagereeve.engine.printers.registry import RegisteredPrinter
from pagereeve.feeds.http.tls import ServerCertificate
from pagereeve.meters.discovery.profile import Profiles
from pagereeve.ports.gateways import GatewayCheck
from pagereeve.settings import BadSettings, Problem, Settings
from pagereeve.settings.changes import fixed_changes
from pagereeve.settings.credentials import GivenCredential
from pagereeve.settings.lists.directory import Binding
from pagereeve.settings.lists.people import PeopleList

LoadSettings = Callable[[], Settings]


@dataclass(frozen=True, slots=True)
class ReloadPlan:
    """What is to be in force; ``directory`` is None where the settings name none. Holds secrets: no repr of them."""

    settings: Settings
    printers: dict[str, RegisteredPrinter]
    gateway_checks: Sequence[GatewayCheck] = field(repr=False)
    credentials: Sequence[GivenCredential] = field(repr=False)
    people: PeopleList = field(repr=False)
    directory: Sequence[Binding] | None = field(repr=False)
    certificate: ServerCertificate | None

    @classmethod
    def of(cls, running: Settings, load: LoadSettings, profiles: Profiles) -> Self:
        """Reads files, and so belongs into a thread. Raises PagereeveError for the first file that can't be used."""
        wanted = load()
        fixed = fixed_changes(running, wanted)
        if fixed:
            text = "can't change while the daemon runs; set it back, or restart the daemon"
            raise BadSettings("the settings", [Problem(path, text) for path in fixed])
        profiles.require(printer.profile for printer in wanted.printers)
        require_oidc(wanted)
        return cls(
            wanted,
            registered_printers(wanted),
            wanted.gateway_checks(),
            wanted.http_credentials(),
            wanted.people_list(),
            None if wanted.badges.directory is None else wanted.directory(),
            certificate_of(wanted.http),
        )
