"""Which clock a boot may begin with, and who has to say so where it can't tell."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import Count, Reading, Sight, Unit
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.clock_agreement import NEAR_US, WITNESSES_MAX, LastSeen, Witnesses, begins_agreed

NOW_US = 1_764_072_000 * SECOND_US
DAY_US = 86_400 * SECOND_US
SIGHT = Sight((("total", Count(7, Unit.IMPRESSIONS)),))


def up(uptime_cs: int | None, received_us: int = NOW_US) -> Reading:
    return Reading(received_us - 1_000, received_us, SIGHT, uptime_cs)


@pytest.mark.parametrize(
    ("ahead_us", "synchronised", "agreed"),
    [
        (0, False, True),
        (-2 * SECOND_US, False, True),
        (-2 * SECOND_US - 1, True, False),
        (DAY_US, False, True),
        (DAY_US + 1, False, False),
        (DAY_US + 1, True, True),
        (21 * DAY_US, True, True),
        (21 * DAY_US, False, False),
        (-NOW_US, True, False),
    ],
)
def test_a_boot_takes_a_clock_for_true_that_fits_its_journal(ahead_us: int, synchronised: bool, agreed: bool) -> None:
    assert begins_agreed(NOW_US + ahead_us, NOW_US, synchronised=synchronised) is agreed


def test_an_empty_journal_fits_any_clock_but_one_that_was_never_set() -> None:
    assert begins_agreed(NOW_US, 0, synchronised=False)
    assert not begins_agreed(12 * SECOND_US, 0, synchronised=True)


def test_two_that_agree_with_the_clock_are_enough_and_one_is_not() -> None:
    witnesses, ahead_us = Witnesses(), 21 * DAY_US
    witnesses.claim("urn:server", NOW_US + ahead_us - SECOND_US, NOW_US)
    assert not witnesses.agree_with(ahead_us)
    witnesses.uptime("p", LastSeen(NOW_US - SECOND_US, 500), up(500 + ahead_us // 10_000))
    assert witnesses.agree_with(ahead_us)
    assert not witnesses.agree_with(ahead_us + 2 * DAY_US)
    assert not witnesses.agree_with(0)


def test_a_senders_latest_notice_counts_and_not_its_backlog() -> None:
    witnesses = Witnesses()
    for occurred_us in (NOW_US - DAY_US, NOW_US + DAY_US, NOW_US - 3 * DAY_US):
        witnesses.claim("urn:server", occurred_us, NOW_US)
    assert witnesses.senders == {"urn:server": DAY_US}
    witnesses.claim("urn:flat-battery", 0, NOW_US)
    assert len(witnesses.senders) == 1


def test_a_printer_that_restarted_says_nothing_that_fits() -> None:
    witnesses = Witnesses()
    witnesses.claim("urn:server", NOW_US + 21 * DAY_US, NOW_US)
    witnesses.uptime("restarted", LastSeen(NOW_US, 10**8), up(100))
    witnesses.uptime("mute", LastSeen(NOW_US, 10**8), up(None))
    assert witnesses.agreed_us() is None
    assert not witnesses.agree_with(21 * DAY_US)


def test_two_printers_that_restarted_together_are_not_believed_without_a_sender() -> None:
    witnesses = Witnesses()
    for name in ("p", "q"):
        witnesses.uptime(name, LastSeen(NOW_US, 10**8), up(100))
    assert witnesses.agreed_us() is None


def test_a_sender_and_a_printer_agree_whatever_the_clock_shows() -> None:
    """The machine says 2100; 3 days are gone, by the sender's time and, a little more, by the printer's uptime."""
    witnesses = Witnesses()
    witnesses.claim("urn:server", NOW_US + 3 * DAY_US, NOW_US)
    witnesses.uptime("p", LastSeen(NOW_US, 2**32 - 100), up((3 * DAY_US + NEAR_US - SECOND_US) // 10_000 - 100))
    assert witnesses.agreed_us() == 3 * DAY_US + NEAR_US - SECOND_US
    witnesses.forget()
    assert witnesses.agreed_us() is None


def test_a_sender_that_goes_with_our_dates_denies_a_step() -> None:
    witnesses, hour_us = Witnesses(), 3_600 * SECOND_US
    witnesses.claim("urn:one", NOW_US + hour_us, NOW_US)
    witnesses.claim("urn:two", NOW_US + hour_us, NOW_US)
    assert witnesses.agree_with(hour_us)
    assert not witnesses.deny(hour_us)
    witnesses.claim("urn:three", NOW_US - SECOND_US, NOW_US)
    assert witnesses.deny(hour_us)
    assert not witnesses.agree_with(hour_us)


def test_names_from_outside_are_bounded() -> None:
    witnesses = Witnesses()
    for nth in range(WITNESSES_MAX + 5):
        witnesses.claim(f"urn:{nth}", NOW_US, NOW_US)
    assert len(witnesses.senders) == WITNESSES_MAX
