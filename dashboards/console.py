"""Links from panels to the console, at the daemon's own HTTP address."""

from __future__ import annotations

from typing import Final

from grafana_foundation_sdk.builders import dashboard
from grafana_foundation_sdk.models import dashboard as models

SERVED: Final = True
"""False leaves the links out, and the variable that they need: for who wants none."""

PRINTER_OF_ROW: Final = "${console:raw}/printers/${__data.fields.printer}"
PRINTER_CHOSEN: Final = "${console:raw}/printers/${printer}"
FINDINGS: Final = "${console:raw}/findings"
"""The list: no metric names a finding, and its id would be a label without bound."""


def address() -> dashboard.TextBoxVariable:
    """Where the readers' browsers reach the daemon: what Prometheus scrapes is often another address."""
    text = "Where your browser reaches the daemon, for links: https://reeve.example"
    return dashboard.TextBoxVariable("console").label("Console").description(text).default_value("")


def link(title: str, url: str) -> dashboard.DashboardLink:
    return dashboard.DashboardLink(title).type(models.DashboardLinkType.LINK).url(url).target_blank(True)
