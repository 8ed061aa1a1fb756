"""What an operator should know before it is too late: one line each, grouped, with what to do; advice is no alarm."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.queries.installation import SilentFeed
from pagereeve.reports.doctor import InstallationState, complaints_of, doctor_json, doctor_text
from pagereeve.reports.doctor.keeping import BACKUP_OLD_US, BACKUP_WANTED_AFTER_US, DAY_US
from tests.unit.reports.test_doctor import NOW_US, WELL

GROWING = replace(WELL, growth_day_bytes=3 * 2**20)
OLD = NOW_US - BACKUP_WANTED_AFTER_US - 1


@pytest.mark.parametrize(
    ("seen", "severity", "words"),
    [
        (
            replace(GROWING, disk_lasts_days=89.9),
            "warning",
            "is full in 89 days (2026-02-22), if the journal goes on growing by 3.0 MiB a day.",
        ),
        (replace(GROWING, disk_lasts_days=30.0), "warning", "is full in 30 days (2025-12-24), if"),
        (replace(GROWING, disk_lasts_days=29.9), "critical", "is full in 29 days (2025-12-24), if"),
        (replace(GROWING, disk_lasts_days=0.4), "critical", "is full in less than a day"),
        (replace(WELL, backup_us=NOW_US - BACKUP_OLD_US - 1), "warning", "The last backup is 8 days old (2025-11-16 "),
        (replace(WELL, by_reload=("printer p1 (new)", "policy")), "warning", "settings: printer p1 (new), policy."),
        (replace(WELL, newer_files=("/etc/people.csv",)), "warning", "present settings: /etc/people.csv."),
        (
            replace(WELL, by_restart=("http.listen",)),
            "warning",
            "Settings were changed that need a restart: http.listen.",
        ),
        (
            replace(WELL, expiring=(("desk", NOW_US + DAY_US),)),
            "warning",
            "One credential expires within 30 days: desk (2",
        ),
        (
            replace(WELL, title_us=NOW_US - 40 * DAY_US),
            "warning",
            "kept longer than [privacy] keep_titles_for says: one is of 2025-",
        ),
        (
            replace(WELL, silent_feeds=(SilentFeed("north", NOW_US),)),
            "critical",
            "One feed is silent: north (since 2025-",
        ),
    ],
)
def test_what_is_wrong_is_one_complaint(seen: InstallationState, severity: str, words: str) -> None:
    (one,) = complaints_of(seen)
    assert (one.severity, one.advice) == (severity, False)
    assert words in one.what
    assert one.why
    assert one.do


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (replace(WELL, oldest_us=OLD), "No backup of the journal is known of."),
        (replace(WELL, clock_kept=False), "Nobody keeps this machine's clock"),
        (replace(WELL, clock_kept=None), "can't be known here"),
        (replace(WELL, has_receivers=False), "No receiver of alerts is configured."),
        (replace(WELL, never_proven=("a",)), "One printer was never proven: a."),
    ],
)
def test_advice_stands_behind_and_is_no_alarm(seen: InstallationState, words: str) -> None:
    (one,) = complaints_of(seen)
    assert one.advice
    assert words in one.what
    text = doctor_text(seen, [one])
    assert text.startswith("Nothing is wrong.\n\nWorth knowing:\n\n-  ")
    body = doctor_json(seen, [one])
    assert (body["complaints"], [each["what"] for each in body["advice"]]) == ([], [one.what])
    both = complaints_of(replace(seen, by_restart=("log",)))
    assert [each.advice for each in both] == [False, True]


@pytest.mark.parametrize(
    "seen",
    [
        replace(GROWING, disk_lasts_days=90.0),
        replace(GROWING, disk_lasts_days=None),
        replace(WELL, backup_us=NOW_US - BACKUP_OLD_US),
        replace(WELL, oldest_us=OLD, backup_us=NOW_US),
        replace(WELL, oldest_us=OLD + 1),
    ],
)
def test_what_is_well_is_not_mentioned(seen: InstallationState) -> None:
    assert complaints_of(seen) == []


def test_a_daemon_that_does_not_run_has_no_settings_that_wait() -> None:
    seen = replace(WELL, not_ready=None, by_reload=("policy",), by_restart=("log",))
    assert [one.what[:9] for one in complaints_of(seen)] == ["No daemon"]


def test_five_thousand_of_a_kind_are_one_line_with_a_few_names() -> None:
    names = tuple(f"printer-{nth:04d}" for nth in range(5_000))
    waiting = tuple(f"printer {name} (new)" for name in names)
    seen = replace(WELL, never_proven=names, by_reload=waiting, expiring=tuple((name, NOW_US) for name in names))
    complaints = complaints_of(seen)
    assert len(complaints) == 3
    text = doctor_text(seen, complaints)
    assert len(text) < 3_000
    assert "5000 printers were never proven: printer-0000, printer-0001, " in text
    assert "and 4995 more" in text


def test_how_long_the_disk_lasts_is_said_where_all_is_well() -> None:
    for days, words in ((400.0, "400 days"), (800.0, "2 years"), (1e6, "a century or more")):
        text = doctor_text(replace(GROWING, disk_lasts_days=days), [])
        assert f"free on its disk, enough for {words} at 3.0 MiB a day)" in text


@pytest.mark.parametrize(
    ("day_bytes", "words"),
    [(2.5 * 2**30, "2.5 GiB"), (2**30 - 1, "1024.0 MiB"), (2**20, "1.0 MiB"), (20_480, "20 KiB")],
)
def test_the_growth_of_a_large_and_of_a_small_site_is_readable(day_bytes: float, words: str) -> None:
    seen = replace(WELL, growth_day_bytes=day_bytes, disk_lasts_days=400.0)
    assert f"enough for 400 days at {words} a day)" in doctor_text(seen, [])


def test_titles_that_nothing_ends_are_advice() -> None:
    (one,) = complaints_of(replace(WELL, titles_for_good=True))
    assert (one.severity, one.advice) == ("info", True)
    assert one.what == "Titles of jobs are kept for good."
