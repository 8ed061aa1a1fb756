"""Printers and gateways as they are answered."""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import BaseModel, Field

from pagereeve.console.api.models.findings import ReleaseName
from pagereeve.console.api.site import AskedGateway, AskedPrinter
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.ledger import SEVERITIES
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.meters import Fleet, Heard, MeterDetails, MeterStanding, MeterState
from pagereeve.reports.rows_json import instant_json

GatewayStanding = Literal["up", "down", "not-checked"]


class ChannelCount(BaseModel):
    """``unit`` is what a step of the counter means, ``known`` how that is known."""

    channel: str
    count: int
    unit: str
    known: str


class GoodReading(BaseModel):
    """The newest answer of the meter that could be used."""

    at: str = Field(description="RFC 3339, in UTC")
    counts: list[ChannelCount]
    device_state: str
    errors: list[str]

    @classmethod
    def of(cls, plateau: Plateau | None) -> Self | None:
        if plateau is None:
            return None
        sight = plateau.sight
        counts = [
            ChannelCount(channel=name, count=one.value, unit=one.unit.value, known=one.grade.value)
            for name, one in sight.counts
        ]
        at = str(instant_json(plateau.last_received_us))
        return cls(at=at, counts=counts, device_state=sight.state.value, errors=list(sight.errors))


class Silent(BaseModel):
    """``since`` is the last good reading (null: there never was one), ``failing_since`` the first read that failed."""

    since: str | None
    failing_since: str
    tries: int
    reason: str
    gateway_answers: bool | None = Field(description="What the gateway's own check said then; null: nothing.")

    @classmethod
    def of(cls, silence: Silence, plateau: Plateau | None) -> Self:
        return cls(
            since=None if plateau is None else instant_json(plateau.last_received_us),
            failing_since=str(instant_json(silence.first_sent_us)),
            tries=silence.count,
            reason=silence.reason.value,
            gateway_answers=None if not silence.gateway else silence.gateway == "answers",
        )


class OpenFindings(BaseModel):
    critical: int
    warning: int
    info: int

    @classmethod
    def of(cls, state: MeterState) -> Self:
        return cls.model_validate({severity: state.findings.get(severity, 0) for severity in SEVERITIES})


class PrinterShown(BaseModel):
    """``registered``: the settings have it; what they say of it is null or empty otherwise."""

    printer: str
    registered: bool
    gateway: str | None
    site: str
    standing: MeterStanding
    last_good: GoodReading | None
    silent: Silent | None
    open_findings: OpenFindings

    @classmethod
    def of(cls, name: str, known: AskedPrinter | None, state: MeterState) -> Self:
        return cls(**_shown(name, known, state))


class Identity(BaseModel):
    """What the printer says of itself; empty where it says nothing."""

    serial: str
    object_id: str
    description: str


class PrinterDetails(PrinterShown):
    """``open_releases`` are those whose window is still open, the newest first, 100 at most."""

    host: str | None
    port: int | None
    price_class: str
    identity: Identity | None
    open_releases: list[ReleaseName]
    settle_s: float = Field(description="How long the count must rest before a window closes.")
    settle_learned: str | None = Field(description="When the daemon learnt that; null: the settings say so.")
    last_proof: str | None = Field(description="When test pages last proved it.")

    @classmethod
    def of_one(cls, name: str, known: AskedPrinter | None, details: MeterDetails) -> Self:
        plateau = details.state.plateau
        keys = dict.fromkeys(one.release for one in details.open)
        return cls(
            **_shown(name, known, details.state),
            host=None if known is None else known.host,
            port=None if known is None else known.port,
            price_class="" if known is None else known.price_class,
            identity=None if plateau is None else _identity(plateau),
            open_releases=[ReleaseName(source=key.source, release=key.release) for key in keys],
            settle_s=details.settle_us / SECOND_US,
            settle_learned=instant_json(details.settle_learned_us),
            last_proof=instant_json(details.proven_us),
        )


class GatewayShown(BaseModel):
    """One printer, or the whole gateway? ``printers`` are behind it, of which ``silent`` do not answer now.

    ``standing`` is what the gateway's own check says, where the settings have one.
    """

    gateway: str
    host: str | None
    standing: GatewayStanding
    down_since: str | None
    printers: int
    answering: int
    silent: int
    never_read: int

    @classmethod
    def of(cls, known: AskedGateway, behind: list[str], fleet: Fleet) -> Self:
        return cls(**_gateway(known, behind, fleet))


class PrinterBehind(BaseModel):
    printer: str
    standing: MeterStanding
    silent: Silent | None


class GatewayDetails(GatewayShown):
    """``last_badge`` and ``last_notice`` came through it within the hour before the newest fact; null: none did."""

    last_badge: str | None
    last_notice: str | None
    behind: list[PrinterBehind]

    @classmethod
    def of_one(cls, known: AskedGateway, behind: list[str], fleet: Fleet, heard: Heard) -> Self:
        shown = []
        for name in behind:
            state = fleet.meter(name)
            silent = None if state.silence is None else Silent.of(state.silence, state.plateau)
            shown.append(PrinterBehind(printer=name, standing=state.standing, silent=silent))
        return cls(
            **_gateway(known, behind, fleet),
            last_badge=instant_json(heard.badge_us),
            last_notice=instant_json(heard.notice_us),
            behind=shown,
        )


def _shown(name: str, known: AskedPrinter | None, state: MeterState) -> dict[str, Any]:
    return {
        "printer": name,
        "registered": known is not None,
        "gateway": None if known is None else known.gateway,
        "site": "" if known is None else known.site,
        "standing": state.standing,
        "last_good": GoodReading.of(state.plateau),
        "silent": None if state.silence is None else Silent.of(state.silence, state.plateau),
        "open_findings": OpenFindings.of(state),
    }


def _identity(plateau: Plateau) -> Identity:
    sight = plateau.sight
    return Identity(serial=sight.serial, object_id=sight.object_id, description=sight.description)


def _gateway(known: AskedGateway, behind: list[str], fleet: Fleet) -> dict[str, Any]:
    standings = [fleet.meter(name).standing for name in behind]
    down_us = fleet.down.get(known.name) if known.checked else None
    standing: GatewayStanding = "not-checked" if not known.checked else "up" if down_us is None else "down"
    return {
        "gateway": known.name,
        "host": known.host,
        "standing": standing,
        "down_since": instant_json(down_us),
        "printers": len(behind),
        "answering": standings.count("answers"),
        "silent": standings.count("silent"),
        "never_read": standings.count("never-read"),
    }
