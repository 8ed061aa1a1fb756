"""A look at a site's relay from outside: its greeting on the local socket. Takes no line."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.relay_link import MESSAGE_MAX_BYTES, BadMessage, Greeting, decoded

WAIT_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class RelayLook:
    """``trouble`` is empty where it answered. ``held`` lines wait for a daemon; ``taken`` says whether one takes them.

    ``missing`` are [[relays]] on whose addresses it does not listen.
    """

    trouble: str = ""
    held: int = 0
    taken: bool = False
    missing: tuple[str, ...] = ()


def look_at_relay(path: Path, relays: tuple[str, ...]) -> RelayLook:
    try:
        greeting = _greeting(path)
    except OSError as error:
        return RelayLook(trouble=error.strerror or "it does not answer")
    except PagereeveError as error:
        return RelayLook(trouble=str(error))
    missing = tuple(name for name in relays if name not in greeting.relays)
    return RelayLook(held=sum(greeting.held.values()), taken=greeting.taken, missing=missing)


def _greeting(path: Path) -> Greeting:
    with socket.socket(socket.AF_UNIX) as looking:
        looking.settimeout(WAIT_S)
        looking.connect(str(path))
        with looking.makefile("rb") as said:
            message = decoded(said.readline(MESSAGE_MAX_BYTES))
    if not isinstance(message, Greeting):
        raise BadMessage(f"a greeting was awaited, and a {message.type} came")
    return message
