"""From settings to the receivers of alerts: secrets and certificates are read here, once."""

from __future__ import annotations

import hashlib
from typing import Final

from pagereeve.domain.ledger import Severity
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import Receiver
from pagereeve.ports.secrets import NoSecret
from pagereeve.settings import AlertSettings, BadSettings, Problem

TARGET_HEX: Final = 32


def targets_of(alerts: AlertSettings) -> dict[str, str]:
    """A digest of each receiver's settings, by its name: nothing of an address or a path can be read from it."""
    return {
        one.name: hashlib.sha256(f"{kind.table}\n{one.model_dump_json()}".encode()).hexdigest()[:TARGET_HEX]
        for kind, one in alerts.receivers()
    }


def receivers_of(alerts: AlertSettings, clock: Clock) -> list[tuple[Receiver, Severity]]:
    """Every receiver with the mildest severity that it receives, in the order of the settings.

    Raises BadSettings with all that can't be read.
    """
    receivers: list[tuple[Receiver, Severity]] = []
    problems: list[Problem] = []
    for kind, settings in alerts.receivers():
        try:
            receivers.append((kind.make(settings, clock), settings.least))
        except NoSecret as error:
            problems.append(Problem(f"receiver {settings.name}", str(error)))
    if problems:
        raise BadSettings("the receivers of alerts", problems)
    return receivers
