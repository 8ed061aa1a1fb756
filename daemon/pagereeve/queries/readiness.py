"""What a printer lacks before people may be moved to it: from what answered and what was proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Part = Literal["name", "gateway", "print port", "web port", "meter", "proof"]
ProofKnown = Literal["noted", "by-entry", "by-model", "never", "not-known"]


@dataclass(frozen=True, slots=True)
class Lack:
    """``text`` says what came, ``do`` what to do."""

    part: Part
    text: str
    do: str


@dataclass(frozen=True, slots=True)
class PortLook:
    """``reach`` as proof.stages.network.Reach has it."""

    port: int
    reach: str
    detail: str = ""

    @property
    def is_open(self) -> bool:
        return self.reach == "open"


@dataclass(frozen=True, slots=True)
class PrinterLook:
    """One printer as it was found. ``addresses`` is empty where its name has none (``name_trouble`` says why).

    ``gateway_addresses`` is None where there is no gateway with an address to compare with. Ports are None where none
    is asked for; ``meter_trouble`` is empty where the meter can be used. ``proof`` is how it is known to be proven,
    ``proven_us`` when (None: no date). ``by_panel``: people read its panel, and nothing of it was asked.
    """

    printer: str
    gateway: str
    place: str
    addresses: tuple[str, ...] = ()
    name_trouble: str = ""
    gateway_addresses: tuple[str, ...] | None = None
    print_port: PortLook | None = None
    web_port: PortLook | None = None
    meter_trouble: str = ""
    meter_reason: str = ""
    model: str = ""
    serial: str = ""
    total: int | None = None
    proof: ProofKnown = "never"
    proven_us: int | None = None
    by_panel: bool = False


def lacks_of(one: PrinterLook) -> tuple[Lack, ...]:
    """What is in the way, in the order in which to mend it; empty where the printer is ready."""
    if one.by_panel:
        return ()
    if not one.addresses:
        do = "Correct the host in the printer's entry, or the name service of this machine."
        return (Lack("name", f"has no address ({one.name_trouble})", do),)
    found: list[Lack] = []
    known = one.gateway_addresses
    if known is not None and not set(one.addresses) & set(known):
        text = f"leads to {', '.join(one.addresses)}, the gateway is {', '.join(known) or 'nowhere'}"
        found.append(Lack("gateway", text, "Correct the printer's host, its gateway, or the gateway's host."))
    found += _port_lacks("print port", one.print_port)
    found += _port_lacks("web port", one.web_port)
    if one.meter_trouble:
        found.append(Lack("meter", one.meter_trouble, f"pagereeve read --printer {one.printer} shows why."))
    if one.proof == "never":
        found.append(Lack("proof", "is missing", f"pagereeve prove {one.printer} --print proves it."))
    elif one.proof == "not-known":
        found.append(Lack("proof", "the journal can't be read", "pagereeve doctor says what is wrong with it."))
    return tuple(found)


def _port_lacks(part: Part, seen: PortLook | None) -> Sequence[Lack]:
    if seen is None or seen.is_open:
        return ()
    do = "Set up the gateway's forward, or correct the port."
    if seen.reach == "broken-off":
        do = "The gateway accepts and nothing behind it does: look at the printer and the forward's inner address."
    elif seen.reach == "silent":
        do = "Look at the gateway's power and cable, and at the firewall between."
    return (Lack(part, f"{seen.port} {seen.reach}" + (f" ({seen.detail})" if seen.detail else ""), do),)


Standing = Literal["ready", "only-unproven", "not-ready"]


def standing_of(lacks: Sequence[Lack]) -> Standing:
    """``only-unproven``: everything answers, and a proof is all that is missing."""
    if not lacks:
        return "ready"
    return "only-unproven" if all(one.part == "proof" for one in lacks) else "not-ready"
