"""From settings to what the engine's registry knows of each printer."""

from __future__ import annotations

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.nearest import KnownNames
from pagereeve.engine.intake.site_names import SiteNames
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.registry import RegisteredPrinter
from pagereeve.settings import PrinterSettings, Settings


def registered_printers(settings: Settings) -> dict[str, RegisteredPrinter]:
    """By name, in the order of the settings, secrets read now. Raises BadSettings."""
    targets = {target.printer: target for target in settings.targets()}
    policies: dict[Policy, Policy] = {}  # of thousands of printers most have the same: one is kept for all

    def policy_of(printer: PrinterSettings) -> Policy:
        policy = settings.policy_of(printer)
        return policies.setdefault(policy, policy)

    return {
        printer.name: RegisteredPrinter(
            None if printer.meter == "panel" else targets[printer.name],
            policy_of(printer),
            printer.gateway or "",
        )
        for printer in settings.printers
    }


def site_names(settings: Settings) -> SiteNames:
    """What senders may name, for the answers to their events; other names of printers lead to these."""
    readers: dict[str, list[str]] = {}
    for reader in settings.readers:
        readers.setdefault(reader.gateway, []).append(reader.name)
    return SiteNames(
        printers=KnownNames(printer.name for printer in settings.printers),
        gateways=KnownNames(gateway.name for gateway in settings.gateways),
        readers={gateway: KnownNames(names) for gateway, names in readers.items()},
        aliases={other: printer.name for printer in settings.printers for other in printer.other_names},
    )


def gateway_names(settings: Settings) -> dict[str, str]:
    """Gateways by the host that their badge lines come from."""
    return {gateway.host: gateway.name for gateway in settings.gateways if gateway.host}


def poll_policy(settings: Settings) -> PollPolicy:
    watch = settings.watch
    return PollPolicy(
        baseline_s=watch.baseline.seconds,
        jitter=float(watch.baseline_jitter),
        first_s=watch.poll_first.seconds,
        longest_s=watch.poll_longest.seconds,
        growth=watch.poll_growth,
        sleeper_max_s=watch.sleeper_backoff_max.seconds,
        timeout_s=watch.read_timeout.seconds,
    )
