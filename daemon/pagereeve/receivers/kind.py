"""What every kind of receiver has: its table of the settings, and its maker."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Generic, TypeVar

from pagereeve.domain.ledger import Severity
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import Receiver
from pagereeve.ports.secrets import NoSecret
from pagereeve.ports.setting_types import Duration, DurationRange, Name, Section


class ReceiverSettings(Section):
    """What all receivers have: ``least`` is the mildest severity that is told to it, ``timeout`` bounds one message."""

    name: Name
    least: Severity = "warning"
    timeout: Annotated[Duration, DurationRange("1s", "1m")] = Duration.of("10s")
    ca_file: Path | None = None


Table = TypeVar("Table", bound=ReceiverSettings)


@dataclass(frozen=True, slots=True)
class ReceiverKind(Generic[Table]):
    """``table`` is its name below [alerts]; ``make`` reads secrets and certificates, once. It raises NoSecret."""

    table: str
    settings: type[Table]
    make: Callable[[Table, Clock], Receiver]


def certificates(ca_file: Path | None) -> ssl.SSLContext | None:
    """None: the receiver's own default. Raises NoSecret."""
    if ca_file is None:
        return None
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NoSecret(f"{ca_file} can't be used as certificates ({reason}); it must be PEM") from error


def host_name() -> str:
    """This machine's, as one word: headers and EHLO need that."""
    return "".join(socket.gethostname().split()) or "localhost"
