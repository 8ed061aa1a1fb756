"""What is wrong with an installation, why it matters and what to do: from plain figures to a page, the worst first."""

from __future__ import annotations

from pagereeve.domain.ledger import SEVERITIES
from pagereeve.reports.doctor.complaint import Complaint
from pagereeve.reports.doctor.fleet import SILENT_AFTER_US, by_ipp, by_panel, gateways, panels, printers, units
from pagereeve.reports.doctor.keeping import (
    archives,
    backup,
    clock_kept,
    disk_room,
    expiring_credentials,
    never_proven,
    no_receiver,
    silent_feeds,
    titles,
    unjudged_settings,
    waiting_settings,
)
from pagereeve.reports.doctor.machine import EXPIRES_SOON_US, certificates, clock, credentials, secrets, storage
from pagereeve.reports.doctor.outlets import UNDELIVERED_AFTER_US, findings, receivers
from pagereeve.reports.doctor.page import doctor_json, doctor_text
from pagereeve.reports.doctor.processes import daemon, relay, settings
from pagereeve.reports.doctor.state import MIB, CertificateExpiry, InstallationState, RelayState

__all__ = [
    "EXPIRES_SOON_US",
    "MIB",
    "SILENT_AFTER_US",
    "UNDELIVERED_AFTER_US",
    "CertificateExpiry",
    "Complaint",
    "InstallationState",
    "RelayState",
    "complaints_of",
    "doctor_json",
    "doctor_text",
]


def complaints_of(seen: InstallationState) -> list[Complaint]:
    """The worst first, and advice behind all that is wrong; empty where there is neither."""
    found = [
        *settings(seen),
        *relay(seen),
        *daemon(seen),
        *storage(seen),
        *clock(seen),
        *secrets(seen),
        *credentials(seen),
        *certificates(seen),
        *receivers(seen),
        *gateways(seen),
        *printers(seen),
        *units(seen),
        *by_ipp(seen),
        *by_panel(seen),
        *panels(seen),
        *findings(seen),
        *disk_room(seen),
        *backup(seen),
        *archives(seen),
        *clock_kept(seen),
        *waiting_settings(seen),
        *unjudged_settings(seen),
        *expiring_credentials(seen),
        *silent_feeds(seen),
        *titles(seen),
        *never_proven(seen),
        *no_receiver(seen),
    ]
    return sorted(found, key=lambda one: (one.advice, SEVERITIES.index(one.severity)))
