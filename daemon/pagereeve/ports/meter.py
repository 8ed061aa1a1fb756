"""A printer's meter, as the engine sees it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

from pagereeve.domain.facts.reading import Failure, Reading, Unit, UnitGrade

Version = Literal["1", "2c", "3"]
MeterDoor = Literal["snmp", "ipp", "panel"]
"""Through which protocol a printer's meter is read; ``panel``: none, as people alone read it."""
AuthProtocol = Literal["md5", "sha", "sha224", "sha256", "sha384", "sha512"]
PrivProtocol = Literal["des", "aes"]


@dataclass(frozen=True, slots=True)
class UsmUser:
    """Whom to be for SNMPv3 (RFC 3414): no ``auth`` is noAuthNoPriv, no ``priv`` is authNoPriv.

    ``md5`` and ``des`` are refused unless ``allow_weak``. ``context`` is the contextName, empty for the default one.
    """

    name: str
    auth: AuthProtocol | None = None
    auth_password: str = field(default="", repr=False)
    priv: PrivProtocol | None = None
    priv_password: str = field(default="", repr=False)
    context: str = ""
    allow_weak: bool = False


@dataclass(frozen=True, slots=True)
class IppTls:
    """IPP over HTTPS (RFC 7472), and what is checked of who answers.

    ``fingerprint`` is the SHA-256 of the one certificate that is accepted, in hexadecimal without colons: its names and
    dates are then of no account. ``ca_file`` holds the authorities, one of which must have signed a certificate that
    is valid now and for the host. With neither, the connection is encrypted and nobody is checked.
    """

    fingerprint: str = ""
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class MeterTarget:
    """How to reach one printer's agent, and what a proof has found of it. Many may share one host: the port differs.

    ``serial`` and ``object_id``, where not empty, are what the registry says must answer. ``user`` is for version 3,
    ``community`` for the others. ``device`` is the hrDeviceIndex of the printer where several are behind one agent.
    ``unit`` is what a test print proved ``total`` to step in: it counts, whatever the agent says or leaves unsaid, and
    hides nothing of that. ``profile`` names the maker's profile to use; ``none`` is the standard objects alone; empty:
    the one that fits. ``answers_from`` is a further host whose answers are accepted, and ``any_port`` accepts them from
    any port: by default they must come from where the request went. ``unit_grade``: the unit was proven of this
    printer, or (inferred) of another one of its model. ``ipp_port`` is where it is asked for its jobs by IPP,
    ``ipp_tls`` how it is known there where that is IPP over HTTPS. ``meter``: through which of the two it is read.
    ``counter`` is the object that a person chose to be billed as the total; empty: none.
    """

    printer: str
    host: str
    port: int = 161
    version: Version = "2c"
    community: str = field(default="public", repr=False)
    serial: str = ""
    object_id: str = ""
    user: UsmUser | None = None
    unit: Unit | None = None
    profile: str = ""
    answers_from: str = ""
    any_port: bool = False
    device: int | None = None
    unit_grade: UnitGrade = UnitGrade.PROVEN
    ipp_port: int | None = None
    counter: str = ""
    ipp_tls: IppTls | None = None
    meter: MeterDoor = "snmp"


class Meter(Protocol):
    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        """One reading within ``timeout_s``, all tries included. Never raises for what a network or printer does.

        Never two requests in flight to one printer: a second call waits for the first to end.
        """
        ...
