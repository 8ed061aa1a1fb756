"""A gateway's own sign of life: what is looked for, and who looks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from pagereeve.domain.facts.reading import GatewayWord

CheckKind = Literal["tcp", "snmp"]


@dataclass(frozen=True, slots=True)
class GatewayCheck:
    """Where a gateway itself answers: a TCP connection that it accepts, or its own SNMP agent (version 2c)."""

    gateway: str
    host: str
    port: int
    kind: CheckKind = "tcp"
    community: str = field(default="public", repr=False)

    @property
    def label(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.kind} {host}:{self.port}"


class GatewayProbe(Protocol):
    async def why_not(self, check: GatewayCheck, timeout_s: float) -> str:
        """Empty where the gateway answers within ``timeout_s``, else why not. Never raises for what a network does."""
        ...


class GatewayWords(Protocol):
    async def word(self, gateway: str) -> GatewayWord:
        """What its check says now, looked for anew where it said *answers* before; bounded. "" without a check."""
        ...
