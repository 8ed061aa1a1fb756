"""The whole of the settings, and what must fit between its tables."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Self
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.local.settings import LocalSettings
from pagereeve.feeds.local.socket_file import SOCKET_NAME as LOCAL_SOCKET_NAME
from pagereeve.feeds.local.socket_file import path_problem
from pagereeve.ports.broker_settings import CollectSettings, PublishSettings
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.gateways import GatewayCheck
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.secrets import NoSecret
from pagereeve.relay.settings_file import SOCKET_NAME, socket_problem
from pagereeve.settings.alerts import AlertSettings
from pagereeve.settings.console import ConsoleSettings
from pagereeve.settings.credentials import GivenCredential, read_credentials
from pagereeve.settings.crosschecks import (
    CROSS_CHECK,
    names_repeated_over,
    problems_between,
    repeated_names,
    unknown_printers,
)
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.feeds import FeedSettings
from pagereeve.settings.journal import JournalSettings
from pagereeve.settings.lists.directory import Binding, read_directory
from pagereeve.settings.lists.people import PeopleList, read_people_list
from pagereeve.settings.places import EntryProblem, Places
from pagereeve.settings.policies import PolicySettings
from pagereeve.settings.rates import RateSettings, rate_problems
from pagereeve.settings.registry import GatewaySettings, PrinterSettings, ReaderSettings
from pagereeve.settings.sections import (
    BadgeSettings,
    ClockSettings,
    LimitSettings,
    LogSettings,
    MeterSettings,
    MetricsSettings,
    PeopleSettings,
    PrivacySettings,
    WatchSettings,
)
from pagereeve.settings.site import PeriodSettings, SiteSettings
from pagereeve.settings.tickets import SourceSettings, with_sources

ENV_PREFIX = "PAGEREEVE_"
ENV_DELIMITER = "__"
KEY_NAME = "badge.key"
CENTRES_MAX = 4


class Settings(BaseSettings):
    """Everything that can be set. Built in code it reads neither file nor environment; ``load_settings`` reads both."""

    model_config = SettingsConfigDict(
        extra="forbid",
        frozen=True,
        hide_input_in_errors=True,
        env_prefix=ENV_PREFIX,
        env_nested_delimiter=ENV_DELIMITER,
    )

    data_dir: Path = Path("/var/lib/pagereeve")
    relay_socket: Path | None = None
    include: tuple[str, ...] = Field(default=(), max_length=100)
    journal: JournalSettings = JournalSettings()
    http: HttpSettings = HttpSettings()
    local: LocalSettings = LocalSettings()
    console: ConsoleSettings = ConsoleSettings()
    log: LogSettings = LogSettings()
    badges: BadgeSettings = BadgeSettings()
    privacy: PrivacySettings = PrivacySettings()
    feeds: FeedSettings = FeedSettings()
    watch: WatchSettings = WatchSettings()
    meters: MeterSettings = MeterSettings()
    policy: PolicySettings = PolicySettings()
    relays: tuple[RelaySettings, ...] = Field(default=(), max_length=10_000)
    gateways: tuple[GatewaySettings, ...] = Field(default=(), max_length=100_000)
    readers: tuple[ReaderSettings, ...] = Field(default=(), max_length=100_000)
    printers: tuple[PrinterSettings, ...] = Field(default=(), max_length=100_000)
    sources: tuple[SourceSettings, ...] = Field(default=(), max_length=1_000)
    people: PeopleSettings = PeopleSettings()
    alerts: AlertSettings = AlertSettings()
    metrics: MetricsSettings = MetricsSettings()
    clock: ClockSettings = ClockSettings()
    limits: LimitSettings = LimitSettings()
    site: SiteSettings = SiteSettings()
    periods: tuple[PeriodSettings, ...] = Field(default=(), max_length=1_000)
    rates: tuple[RateSettings, ...] = Field(default=(), max_length=1_000)
    forward: tuple[ForwardSettings, ...] = Field(default=(), max_length=CENTRES_MAX)
    publish: tuple[PublishSettings, ...] = Field(default=(), max_length=CENTRES_MAX)
    collect: tuple[CollectSettings, ...] = Field(default=(), max_length=CENTRES_MAX)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - pydantic-settings' signature
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - pydantic-settings' signature
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - pydantic-settings' signature
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003 - pydantic-settings' signature
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return (init_settings,)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        problems: list[EntryProblem | Problem] = []
        problems += problems_between(self.gateways, self.printers, self.feeds, self.readers, self.alerts, self.relays)
        problems += unknown_printers(self.sources, self.printers)
        problems += repeated_names("periods", self.periods)
        problems += names_repeated_over({"forward": self.forward, "publish": self.publish})
        problems += repeated_names("collect", self.collect)
        problems += rate_problems(self.rates, self.printers)
        if self.relays and (trouble := socket_problem(self.relay_socket_path)):
            problems.append(Problem("relay_socket", trouble))
        if trouble := path_problem(self.local_socket_path):
            problems.append(Problem("local.socket", trouble))
        if problems:
            places = Places(self)
            said = (places.problem(one) if isinstance(one, EntryProblem) else one for one in problems)
            text = "; ".join(map(str, said))
            raise PydanticCustomError(CROSS_CHECK, "{text}", {"text": text, "problems": problems})
        return self

    @property
    def badge_key_file(self) -> Path:
        return self.badges.key_file or self.data_dir / KEY_NAME

    @property
    def relay_socket_path(self) -> Path:
        return self.relay_socket or self.data_dir / SOCKET_NAME

    @property
    def local_socket_path(self) -> Path:
        return self.local.socket or self.data_dir / LOCAL_SOCKET_NAME

    def policy_of(self, printer: PrinterSettings) -> Policy:
        """[policy], with what the printer says itself in its place, and what [[sources]] say of tickets."""
        policy = printer.policy.over(self.policy).to_policy()
        if printer.meter == "panel" and printer.unit is not None:
            policy = replace(policy, panel_unit=Unit(printer.unit))
        return replace(policy, tickets=with_sources(policy, printer.name, self.sources)) if self.sources else policy

    def targets(self, environment: Mapping[str, str] | None = None) -> tuple[MeterTarget, ...]:
        """Every printer's target, in order, its secret read now. Raises BadSettings with all problems."""
        given = os.environ if environment is None else environment
        targets: list[MeterTarget] = []
        problems: list[Problem] = []
        for printer in self.printers:
            try:
                targets.append(printer.target(given))
            except NoSecret as error:
                problems.append(Problem(f"printer {printer.name}", f"its secrets: {error}"))
        if problems:
            raise BadSettings("the registry", problems)
        return tuple(targets)

    def gateway_checks(self) -> tuple[GatewayCheck, ...]:
        """Every gateway's that has one, its secret read now. Raises BadSettings with all problems."""
        checks: list[GatewayCheck] = []
        problems: list[Problem] = []
        for gateway in self.gateways:
            try:
                check = gateway.gateway_check()
            except NoSecret as error:
                problems.append(Problem(f"gateway {gateway.name}", f"its secret: {error}"))
                continue
            checks += [check] if check is not None else []
        if problems:
            raise BadSettings("the gateways", problems)
        return tuple(checks)

    def http_credentials(self) -> tuple[GivenCredential, ...]:
        """Those that token_files and [[http.credentials]] give. Raises BadSettings with all problems."""
        return read_credentials(self.http)

    def badge_forms(self) -> dict[tuple[str, str], BadgeForm]:
        """Forms by (gateway, reader), the gateway's own under a reader of ""."""
        forms = {(one.name, ""): one.form.to_form() for one in self.gateways if one.form is not None}
        return forms | {(one.gateway, one.name): one.form.to_form() for one in self.readers}

    def directory(self) -> tuple[Binding, ...]:
        """Whose badges are; empty without a directory. Raises BadSettings."""
        form = self.badges.directory_form or self.badges.form
        return () if self.badges.directory is None else read_directory(self.badges.directory, form.to_form())

    def assignments(self) -> tuple[Assigned, ...]:
        """Who belongs to which cost centre by a list of owners; empty without one. Raises BadSettings."""
        return self.people_list().assigned

    def people_list(self) -> PeopleList:
        """Who is who; empty without a people file. Raises BadSettings."""
        file = self.people.file
        return PeopleList() if file is None else read_people_list(file, ZoneInfo(self.site.zone))
