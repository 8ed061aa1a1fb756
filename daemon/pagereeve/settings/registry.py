"""[[gateways]] and [[printers]]: what the daemon knows of the devices."""

from __future__ import annotations

from collections.abc import Mapping
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, Field, SecretStr, model_validator

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.ports.gateways import CheckKind, GatewayCheck
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.secrets import named_by, secret_from_environment, secret_from_file
from pagereeve.ports.setting_types import Host, Name, Port, Section, Target, Text
from pagereeve.settings.badge_forms import BadgeFormSettings
from pagereeve.settings.ipp import IppSettings
from pagereeve.settings.policies import PolicyOverrides
from pagereeve.settings.usm import EnvName, UsmSettings

DEFAULT_COMMUNITY = "public"
NO_HOST: Final = "panel.invalid"
"""Stands for the host of a printer that has none: a name that is never an address (RFC 2606 section 2)."""
OF_NETWORK: Final = (
    *("port", "community", "community_file", "community_env", "object_id", "device", "counter", "profile"),
    *("answers_from", "any_port", "ipp_port"),
)
NoticeName = Annotated[Text, Field(min_length=1, max_length=200)]
"""As notices name a printer: any text."""


def _in_figures(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError(f"{text[:64]!r} is no address; write it in figures, as 192.0.2.11") from None


class GatewaySettings(Section):
    """``host`` is the address from which its badge lines come; without it only a feed can name the gateway.

    ``check`` is where the gateway itself shows a sign of life, by ``kind``.
    """

    name: Name
    host: Host | None = None
    check: Target | None = None
    kind: CheckKind = "tcp"
    community_file: Path | None = None
    form: BadgeFormSettings | None = None
    text: Text = ""

    @model_validator(mode="after")
    def _check_fits(self) -> Self:
        if self.check is None and (self.kind != "tcp" or self.community_file is not None):
            raise ValueError("kind and community_file are about check; say where the gateway itself answers")
        if self.community_file is not None and self.kind != "snmp":
            raise ValueError('community_file goes with kind = "snmp"')
        return self

    def gateway_check(self) -> GatewayCheck | None:
        """Where it shows a sign of life. Raises ports.secrets.NoSecret."""
        if self.check is None:
            return None
        community = DEFAULT_COMMUNITY if self.community_file is None else secret_from_file(self.community_file)
        return GatewayCheck(self.name, self.check.host, self.check.port, self.kind, community)


class ReaderSettings(Section):
    """One of [[readers]]: a reader that writes badge numbers otherwise than the others of its gateway."""

    gateway: Name
    name: Name
    form: BadgeFormSettings
    text: Text = ""


class PrinterSettings(IppSettings, UsmSettings):
    """One printer and how its meter is reached; printers behind one gateway share its host and differ in the port, or
    share that too and differ in ``device`` (hrDeviceIndex) or ``serial``.

    ``counter`` is the object of the counter that is billed, where it is to be another than the one chosen by readings.
    ``also`` are other names under which notices may name it, ``was`` is the name that it had before.
    """

    name: Name
    also: tuple[NoticeName, ...] = Field(default=(), max_length=100)
    was: Name | None = None
    host: Host
    port: Port = 161
    community: Annotated[SecretStr, Field(min_length=1, max_length=255)] | None = None
    community_file: Path | None = None
    community_env: EnvName | None = None
    serial: Text = ""
    object_id: Annotated[str, Field(pattern=r"^$|^[0-2](\.\d{1,10}){1,127}$")] = ""
    device: Annotated[int, Field(ge=0, le=2**31 - 1)] | None = None
    counter: Annotated[str, Field(pattern=r"^$|^[0-2](\.\d{1,10}){1,127}$")] = ""
    unit: Literal["impressions", "sheets"] | None = None
    unit_grade: Literal["proven", "inferred-from-model"] = "proven"
    profile: Annotated[str, Field(pattern=r"^$|^[a-z][a-z0-9-]{0,63}$")] = ""
    answers_from: Annotated[str, AfterValidator(_in_figures)] | None = None
    any_port: bool = False
    print_port: Port | None = 9100
    web_port: Port | None = None
    gateway: Name | None = None
    site: Text = ""
    price_class: Annotated[str, Field(max_length=64)] = ""
    text: Text = ""
    policy: PolicyOverrides = PolicyOverrides()

    @model_validator(mode="before")
    @classmethod
    def _needs_no_host(cls, given: Any) -> Any:
        """Nothing is asked of a printer whose panel people read: it may have no place on the network."""
        if isinstance(given, Mapping) and given.get("meter") == "panel" and "host" not in given:
            return {**given, "host": NO_HOST}
        return given

    @model_validator(mode="after")
    def _panel_fits(self) -> Self:
        if self.meter != "panel":
            return self
        if self.unit is None:
            raise ValueError('meter = "panel" needs unit; say whether the panel counts impressions or sheets')
        asked = [name for name in OF_NETWORK if name in self.model_fields_set]
        if asked:
            names = " and ".join(asked)
            raise ValueError(f'{names} say how a meter is asked, and with meter = "panel" none is; leave them out')
        return self

    @model_validator(mode="after")
    def _one_community(self) -> Self:
        names = ("community", "community_file", "community_env")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are both given; keep one")
        return self

    @model_validator(mode="after")
    def _unit_of_grade(self) -> Self:
        if self.unit is None and self.unit_grade != "proven":
            raise ValueError("unit_grade says how the unit is known; give unit too, or neither")
        return self

    @property
    def other_names(self) -> tuple[str, ...]:
        return (*self.also, *(() if self.was is None else (self.was,)))

    def target(self, environment: Mapping[str, str]) -> MeterTarget:
        """Where and as whom to ask for the meter. Raises ports.secrets.NoSecret."""
        return MeterTarget(
            printer=self.name,
            host=self.host,
            port=self.port,
            version=self.version,
            community=self._community(environment),
            serial=self.serial,
            object_id=self.object_id,
            user=self.usm_user(environment),
            unit=None if self.unit is None else Unit(self.unit),
            unit_grade=UnitGrade.PROVEN if self.unit_grade == "proven" else UnitGrade.INFERRED,
            profile=self.profile,
            answers_from=self.answers_from or "",
            any_port=self.any_port,
            device=self.device,
            ipp_port=self.ipp_port,
            counter=self.counter,
            ipp_tls=self.tls_of_ipp(),
            meter=self.meter,
        )

    def _community(self, environment: Mapping[str, str]) -> str:
        if self.community_file is not None:
            with named_by("community_file"):
                return secret_from_file(self.community_file)
        if self.community_env is not None:
            with named_by("community_env"):
                return secret_from_environment(self.community_env, environment)
        return DEFAULT_COMMUNITY if self.community is None else self.community.get_secret_value()
