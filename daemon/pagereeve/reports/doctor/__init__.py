"""What is wrong with an installation, why it matters and what to do: from plain figures to a page, the worst first."""

from __future__ import annotations

from pagereeve.domain.ledger import SEVERITIES
from pagereeve.reports.doctor.complaint import Complaint
from pagereeve.reports.doctor.fleet import SILENT_AFTER_US, by_ipp, gateways, printers, units
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
    """The worst first; empty where nothing is wrong."""
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
        *findings(seen),
    ]
    return sorted(found, key=lambda one: SEVERITIES.index(one.severity))
