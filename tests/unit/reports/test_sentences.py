"""Every word of the domain has a sentence for people."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from pagereeve import domain
from pagereeve.domain.brackets.continuity import CARRIES_ON, Step
from pagereeve.domain.brackets.windows import Closing
from pagereeve.domain.facts.policy import Charging
from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.facts.ticket import ColorMode, Ticket
from pagereeve.domain.findings.wording import SILENCES
from pagereeve.domain.ledger import Grade, Interval, Verdict
from pagereeve.reports import sentences, timeline
from pagereeve.reports.media import media_text

SOURCES = Path(next(iter(domain.__path__)))


def test_grades_verdicts_silences_charging_and_breaks_all_have_words() -> None:
    assert set(sentences.GRADES) == set(Grade)
    assert set(sentences.VERDICTS) == set(Verdict)
    assert set(SILENCES) == set(SilenceReason)
    assert set(sentences.CHARGING) == set(get_args(Charging))
    assert set(timeline.BREAKS) == set(Step) - CARRIES_ON


def test_every_reason_that_the_domain_gives_has_words() -> None:
    given: set[str] = {"cancelled", "aborted", *(f"window-{one}" for one in get_args(Closing) if one != "rested")}
    for path in SOURCES.rglob("*.py"):
        text = path.read_text()
        given |= set(re.findall(r'reasons(?:\.append\(|=\(|\s*\+?= \[)"([a-z-]+)"', text))
        given |= {one for one in re.findall(r'"([a-z]+(?:-[a-z]+)+)"', text) if one in sentences.REASONS}
    assert "pages-unknown" in given
    assert "about-the-bracket" in given
    assert given <= set(sentences.REASONS)


@pytest.mark.parametrize(
    ("interval", "text"),
    [(Interval(3, 3), "3"), (Interval(3, 5), "3 to 5"), (Interval(3, None), "at least 3"), (None, "unknown")],
)
def test_an_interval_in_words(interval: Interval | None, text: str) -> None:
    assert sentences.interval_text(interval) == text


@pytest.mark.parametrize(
    ("span_us", "text"),
    [
        (0, "0 ms"),
        (40_000, "40 ms"),
        (2_400_000, "2.4 s"),
        (-2_400_000, "2.4 s"),
        (95_000_000, "95 s"),
        (720_000_000, "12 min"),
        (12_600_000_000, "3.5 h"),
        (172_800_000_000, "2.0 d"),
    ],
)
def test_a_span_in_words(span_us: int, text: str) -> None:
    assert sentences.span_text(span_us) == text


# PWG 5101.1-2013 section 5: names of its tables 2 to 5, and of its form.
@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("iso_a4_210x297mm", "A4"),
        ("iso_b5_176x250mm", "B5"),
        ("jis_b5_182x257mm", "B5 (182 by 257 mm)"),
        ("iso_a3-extra_322x445mm", "a3 extra (322 by 445 mm)"),
        ("na_letter_8.5x11in", "letter (8.5 by 11 in)"),
        ("na_number-10_4.125x9.5in", "number 10 (4.125 by 9.5 in)"),
        ("custom_cards_55x85mm", "cards (55 by 85 mm)"),
        ("tray-2", "tray-2"),
        ("iso_a4_210x297", "iso_a4_210x297"),
        ("", ""),
    ],
)
def test_a_medium_in_plain_words(name: str, text: str) -> None:
    assert media_text(name) == text


def test_each_colour_mode_has_words() -> None:
    assert set(sentences.COLOURS) == set(get_args(ColorMode))
    assert sentences.ticket_text(Ticket(pages=3, color_mode="color")) == "3 pages, in colour"


def test_a_ticket_tells_a_medium_in_plain_words_and_no_separator_that_there_is_not() -> None:
    ticket = Ticket(pages=3, media="iso_a4_210x297mm", separator_sheets=0)
    assert sentences.ticket_text(ticket) == "3 pages, on A4"
    assert sentences.ticket_text(Ticket(pages=3, separator_sheets=1)) == "3 pages, 1 separator sheet"


def test_a_ticket_that_says_nothing_says_so_and_a_title_is_never_shown() -> None:
    assert sentences.ticket_text(Ticket()).startswith("nothing")
    assert "secret" not in sentences.ticket_text(Ticket(pages=2, copies=2, title="secret"))
    assert sentences.ticket_text(Ticket(pages=1, copies=2)) == "1 page, 2 copies"
    assert sentences.reason_text("colour-not-in-ticket") == "the ticket does not say how many of the pages are colour"
    assert sentences.reason_text("something-new") == "something-new"
