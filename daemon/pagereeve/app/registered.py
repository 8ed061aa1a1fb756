"""From settings to what the engine's registry knows of each printer."""

from __future__ import annotations

from pagereeve.engine.printers.registry import RegisteredPrinter
from pagereeve.settings import Settings


def registered_printers(settings: Settings) -> dict[str, RegisteredPrinter]:
    """By name, in the order of the settings, secrets read now. Raises BadSettings."""
    targets = {target.printer: target for target in settings.targets()}
    return {
        printer.name: RegisteredPrinter(targets[printer.name], settings.policy_of(printer), printer.gateway or "")
        for printer in settings.printers
    }


def gateway_names(settings: Settings) -> dict[str, str]:
    """Gateways by the host that their badge lines come from."""
    return {gateway.host: gateway.name for gateway in settings.gateways if gateway.host}
