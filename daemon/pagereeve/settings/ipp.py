"""Where a printer's IPP is, and what is checked of who answers there: a part of a printer's entry."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Final, Self

from pydantic import Field, model_validator

from pagereeve.ports.meter import IppTls, MeterDoor
from pagereeve.ports.setting_types import Checked, Port, Section

# As printers and tools write it: 64 digits, in pairs with colons between them or without.
_SHA_256: Final = re.compile(r"[0-9a-f]{64}|[0-9a-f]{2}(:[0-9a-f]{2}){31}")
_FINGERPRINT: Final = f"^({_SHA_256.pattern})$".replace("a-f", "A-Fa-f")


def _fingerprint(text: str) -> str:
    lower = text.lower()
    if not _SHA_256.fullmatch(lower):
        raise ValueError("is no SHA-256 fingerprint: 64 hexadecimal digits, in pairs with colons or without")
    return lower.replace(":", "")


Fingerprint = Annotated[str, Field(max_length=95), Checked(_fingerprint, {"pattern": _FINGERPRINT})]


class IppSettings(Section):
    """``ipp_tls`` is IPP over HTTPS; of the certificate its fingerprint or its authority can be checked. ``meter`` is
    through which protocol the printer is counted.
    """

    meter: MeterDoor = "snmp"
    ipp_port: Port | None = None
    ipp_tls: bool = False
    ipp_fingerprint: Fingerprint | None = None
    ipp_ca_file: Path | None = None

    @model_validator(mode="after")
    def _ipp_fits(self) -> Self:
        if self.ipp_tls and self.ipp_port is None:
            raise ValueError("ipp_tls is about ipp_port; say at which port IPP answers")
        if self.meter == "ipp" and self.ipp_port is None:
            raise ValueError('meter = "ipp" needs ipp_port; say at which port IPP answers')
        checks = [name for name in ("ipp_fingerprint", "ipp_ca_file") if getattr(self, name) is not None]
        if checks and not self.ipp_tls:
            raise ValueError(f"{' and '.join(checks)} go with ipp_tls = true: plain IPP has no certificate")
        if len(checks) > 1:
            raise ValueError("ipp_fingerprint and ipp_ca_file are both given; keep one")
        return self

    def tls_of_ipp(self) -> IppTls | None:
        return IppTls(self.ipp_fingerprint or "", self.ipp_ca_file) if self.ipp_tls else None
