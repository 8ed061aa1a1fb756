"""One printer outside any settings file: what a command line says of it, judged by the same rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from pydantic import ValidationError

from pagereeve.ports.setting_types import HostPort, host_of
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.places import Places
from pagereeve.settings.registry import PrinterSettings
from pagereeve.settings.validation import problems_of

SNMP_PORT: Final = 161


def lone_printer(place: str, members: Mapping[str, Any]) -> PrinterSettings:
    """The printer at HOST, HOST:PORT or [IPV6]:PORT, with members of [[printers]]. Raises BadSettings."""
    raw = {"name": "printer", **_where(place), **members}
    try:
        return PrinterSettings(**raw)
    except ValidationError as error:
        raise BadSettings(place, [one for one in problems_of(error, Places(raw)) if isinstance(one, Problem)]) from None


def _where(place: str) -> dict[str, Any]:
    try:
        return {"host": host_of(place.strip("[]")), "port": SNMP_PORT}
    except ValueError:
        pass
    try:
        address = HostPort.of(place)
    except ValueError as error:
        raise BadSettings(place[:80], [Problem("", str(error))]) from None
    return {"host": address.host, "port": address.port}
