"""From plain figures to complaints: each says what, why and what to do, the worst first, on one page."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.accounts.panel_check import distance
from pagereeve.domain.accounts.supplier_bill import Shown
from pagereeve.domain.facts.panel import PanelReading
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.queries.installation import SilentPrinter
from pagereeve.queries.noted_readings import Seen
from pagereeve.queries.units import UnitStanding
from pagereeve.reports.doctor import (
    EXPIRES_SOON_US,
    MIB,
    SILENT_AFTER_US,
    CertificateExpiry,
    InstallationState,
    RelayState,
    complaints_of,
    doctor_json,
    doctor_text,
)
from tests.noted_readings import noted

NOW_US = 1_764_000_000_000_000
HOUR_US = 3_600_000_000
PANEL_OFF = Seen(PanelReading(noted("attic", "n-1", 5, 190)), distance(190, None, Shown(90, 5)))
WELL = InstallationState(
    now_us=NOW_US,
    listen="127.0.0.1:8731",
    data_dir="/var/lib/pagereeve",
    disk_free_bytes=10_000 * MIB,
    not_ready={},
    journal_bytes=5 * MIB,
    newest_us=NOW_US,
    printers=2,
    quiet=(SilentPrinter("library", NOW_US - HOUR_US),),
)


def expiring(left_us: int, *, ours: bool) -> InstallationState:
    return replace(WELL, expiries=(CertificateExpiry("/tls/pages.pem", "CN=pages", NOW_US + left_us, ours),))


def test_a_certificate_that_lasts_is_no_complaint() -> None:
    assert complaints_of(expiring(EXPIRES_SOON_US, ours=True)) == []


def test_dates_are_compared_with_dates_and_certificates_with_the_machines_clock() -> None:
    [one] = complaints_of(replace(WELL, ahead_us=-HOUR_US, newest_us=NOW_US))
    assert one.what.startswith("The clock of this machine is")
    assert complaints_of(replace(WELL, ahead_us=2_000_000)) == []
    later = replace(expiring(EXPIRES_SOON_US + HOUR_US // 2, ours=True), ahead_us=HOUR_US)
    assert [text for text in (one.what for one in complaints_of(later)) if "certificate" in text]
    assert doctor_json(later, [])["clock_ahead_s"] == 3_600


def test_it_says_plainly_that_nothing_is_wrong() -> None:
    assert complaints_of(WELL) == []
    text = doctor_text(WELL, [])
    assert text.startswith("Nothing is wrong.\n")
    assert "Looked at: the settings, the daemon at 127.0.0.1:8731" in text
    assert doctor_json(WELL, [])["complaints"] == []


@pytest.mark.parametrize(
    ("seen", "severity", "words"),
    [
        (
            replace(WELL, settings=("people.file: line 3: is no date",)),
            "critical",
            "One thing is wrong with the",
        ),
        (replace(WELL, printers=0), "warning", "name no printer"),
        (expiring(-1, ours=True), "critical", "The certificate CN=pages in /tls/pages.pem expired at 2025-"),
        (expiring(-1, ours=False), "warning", "The certificate CN=pages in /tls/pages.pem expired at 2025-"),
        (expiring(EXPIRES_SOON_US - 1, ours=True), "warning", "The certificate CN=pages in /tls/pages.pem expires at"),
        (replace(WELL, not_ready=None, daemon_trouble="nobody listens there"), "critical", "No daemon answers"),
        (replace(WELL, not_ready={"tasks": "printer x is stuck"}), "critical", "part tasks: printer x is stuck"),
        (replace(WELL, key_trouble="is empty; put it back"), "critical", "The badge key is empty."),
        (replace(WELL, notices={"reload": "line 3 is no TOML"}), "warning", "about reload: line 3 is no TOML."),
        (
            replace(WELL, relay=RelayState("/d/relay.sock", "Connection refused")),
            "critical",
            "No relay answers at /d/relay.sock (Connection refused).",
        ),
        (replace(WELL, relay=RelayState("/d/relay.sock", missing=("hall",))), "critical", "does not listen for hall."),
        (replace(WELL, relay=RelayState("/d/relay.sock", held=7, taken=False)), "warning", "relay's lines; 7 wait."),
        (replace(WELL, data_dir_trouble="does not exist"), "critical", "/var/lib/pagereeve does not exist"),
        (replace(WELL, disk_trouble="1 MiB is free"), "critical", "is nearly full: 1 MiB is free."),
        (replace(WELL, journal_trouble="journal x is no database"), "critical", "is no database"),
        (replace(WELL, wal_bytes=100 * MIB), "warning", "takes 100 MiB, the limit is 64"),
        (replace(WELL, ahead_us=-HOUR_US), "warning", "The clock of this machine is 60 min behind the dates"),
        (replace(WELL, ahead_us=HOUR_US), "warning", "The clock of this machine is 60 min ahead of the dates"),
        (replace(WELL, newest_us=NOW_US + HOUR_US), "critical", "The clock says 2025-11-24 16:00+00:00"),
        (replace(WELL, readable=("/etc/key",)), "warning", "Every user of this machine can read /etc/key"),
        (replace(WELL, expired=("old",)), "warning", "A credential has expired: old."),
        (replace(WELL, expired=("old", "older")), "warning", "Credentials have expired: old, older."),
        (replace(WELL, waiting_us={"desk": NOW_US - HOUR_US}), "critical", "The receiver desk has not accepted"),
        (
            replace(WELL, quiet=(SilentPrinter("attic", None, "timeout"),)),
            "warning",
            "One printer has never sent a reading",
        ),
        (
            replace(WELL, quiet=(SilentPrinter("attic", NOW_US - SILENT_AFTER_US - 1, "asleep"),)),
            "warning",
            "One printer has sent no reading for more than a day: attic (asleep, last 2025-11-23 15:59+00:00)",
        ),
        (
            replace(WELL, quiet=(SilentPrinter("attic", NOW_US - HOUR_US, "asleep", NOW_US - 180_000_000),)),
            "info",
            "One printer has stopped answering: attic (asleep, last 2025-11-24 15:00+00:00).",
        ),
        (
            replace(WELL, quiet=(SilentPrinter("attic", None, "late", NOW_US - 180_000_000, late=True),)),
            "warning",
            "One printer has answered too late to be read: attic (late).",
        ),
        (
            replace(WELL, quiet=(SilentPrinter("attic", None, "timeout", gateway="answers"),)),
            "warning",
            "One printer has never sent a reading: attic (timeout, its gateway answers).",
        ),
        # Of what is behind a gateway that is down nothing else is told.
        (
            replace(
                WELL,
                gateways_down=("gate-1",),
                quiet=tuple(SilentPrinter(one, None, "timeout", gateway="down") for one in ("attic", "loft")),
            ),
            "critical",
            "Gateway gate-1 does not answer; behind: attic, loft.",
        ),
        (
            replace(WELL, panels_off=(PANEL_OFF,)),
            "warning",
            "A figure read from a panel disagrees with the meter: attic, 190: 100 pages more than the most",
        ),
        (replace(WELL, gateways_down=("gate-1", "gate-2")), "critical", "Gateways gate-1, gate-2 do not answer."),
        (
            replace(WELL, findings={("warning", "surplus"): 3, ("info", "meter-silent"): 9}),
            "warning",
            "12 findings are open: 3 surplus, 9 meter-silent.",
        ),
    ],
)
def test_each_trouble_is_one_complaint(seen: InstallationState, severity: str, words: str) -> None:
    (complaint,) = complaints_of(seen)
    assert complaint.severity == severity
    assert words in complaint.what
    assert complaint.why
    assert complaint.do


@pytest.mark.parametrize(
    "seen",
    [
        replace(WELL, waiting_us={"desk": NOW_US - 60_000_000}),
        replace(WELL, quiet=(SilentPrinter("attic", NOW_US - HOUR_US, "asleep", NOW_US - 60_000_000),)),
        replace(WELL, quiet=(SilentPrinter("attic", NOW_US - HOUR_US, "asleep"),)),
        replace(WELL, newest_us=NOW_US + 60_000_000),
        replace(WELL, wal_bytes=64 * MIB),
        replace(WELL, journal_bytes=None, newest_us=None),
        replace(WELL, relay=RelayState("/d/relay.sock", held=1)),
    ],
)
def test_what_is_usual_is_no_complaint(seen: InstallationState) -> None:
    assert complaints_of(seen) == []


def test_everything_at_once_is_one_page_the_worst_first() -> None:
    many = tuple(SilentPrinter(f"printer-{nth}", None, "timeout") for nth in range(500))
    seen = replace(
        WELL,
        settings=tuple(f"printer p{nth}: its secrets: no" for nth in range(50)),
        not_ready=None,
        disk_trouble="1 MiB is free",
        wal_bytes=2**40,
        newest_us=NOW_US + HOUR_US,
        readable=tuple(f"/etc/key-{nth}" for nth in range(50)),
        waiting_us={"desk": 0},
        quiet=(*many, SilentPrinter("attic", 1, "asleep")),
        findings={("info", "meter-silent"): 9},
    )
    complaints = complaints_of(seen)
    severities = [one.severity for one in complaints]
    assert severities == sorted(severities, key=["critical", "warning", "info"].index)
    text = doctor_text(seen, complaints)
    assert text.startswith("10 things are wrong, the worst first.\n")
    assert len(text.splitlines()) < 60
    assert max(map(len, text.splitlines())) < 400
    assert "and 495 more" in text
    assert len(doctor_json(seen, complaints)["complaints"]) == 10


def test_a_fleet_on_an_assumed_unit_is_one_complaint_by_model() -> None:
    model, other = "1.3.6.1.4.1.99999.1", "1.3.6.1.4.1.99999.2"
    units = [UnitStanding(f"p-{nth:02}", "total", Unit.UNKNOWN, UnitGrade.ASSUMED, model) for nth in range(30)]
    units += [UnitStanding(f"q-{nth}", "total", Unit.UNKNOWN, UnitGrade.ASSUMED, other) for nth in range(7)]
    seen = replace(WELL, units=tuple(units), findings={("info", "unit-assumed"): 37})
    (one,) = complaints_of(seen)
    assert (one.severity, one.what[:45]) == ("info", "37 printers run on an assumed unit: 30 of 1.3")
    assert f"7 of {other}" in one.what
    assert "pagereeve prove NAME --print" in one.do
    proven = UnitStanding("z", "total", Unit.SHEETS, UnitGrade.PROVEN, model)
    (offered,) = complaints_of(replace(seen, units=(*units, proven)))
    assert 'unit = "sheets", unit_grade = "inferred-from-model"' in offered.do


def test_times_are_of_the_sites_zone() -> None:
    seen = replace(WELL, newest_us=WELL.now_us + 3_600_000_000, zone="Europe/Berlin")
    (complaint,) = complaints_of(seen)
    assert (
        "The clock says 2025-11-24 17:00+01:00, but the journal has a fact of 2025-11-24 18:00+01:00." in complaint.what
    )
