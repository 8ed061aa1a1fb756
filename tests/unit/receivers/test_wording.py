"""The words of a message: whole, in the order in which they are read, visible and bounded."""

from __future__ import annotations

import pytest

from pagereeve.receivers.wording import (
    CUT,
    TEXT_MAX,
    bounded,
    one_line,
    one_liner,
    plain_text,
    stable_subject,
    standing,
)
from tests.notices import notice, over

WHOLE = """\
The meter of library-1 does not answer
Critical, since 2026-11-25 09:00:00 UTC.

What happened:
  library-1 has not answered since 09:00, and two releases needed its count.

What it costs:
  The pages of two releases can't be proved.

What shows it:
  09:00:05 to 09:00:08: 1 read failed (timeout)
  09:01:05: no answer

What to do first:
  See whether the printer is on and its network cable is in.

Everything about it:
  pagereeve findings show f-0a1b2c3d4e5f

2 open findings, about 14 pages.
Alert a-5f0c9d7e21b4, message 1. Times are those of UTC.
"""


def test_a_message_in_plain_text() -> None:
    assert plain_text(notice()) == WHOLE


def test_parts_without_a_text_are_left_out() -> None:
    text = plain_text(notice(cost="", evidence=(), first="", pages=None, findings=1))
    assert "What it costs" not in text
    assert "What shows it" not in text
    assert "do first" not in text
    assert "\n1 open finding.\n" in text


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (notice(), "Critical, since 2026-11-25 09:00:00 UTC."),
        (notice(step="updated", nth=2, severity="warning"), "Warning, still so, since 2026-11-25 09:00:00 UTC."),
        (over(), "Over since 2026-11-25 09:03:00 UTC; it began 2026-11-25 09:00:00 UTC."),
        (over(until_us=None), "Over since 2026-11-25 09:12:00 UTC; it began 2026-11-25 09:00:00 UTC."),
    ],
)
def test_how_it_stands(message: object, text: str) -> None:
    assert standing(message) == text  # type: ignore[arg-type]


def test_the_evidence_has_three_lines_at_most() -> None:
    assert bounded(notice(evidence=tuple("abcd"))).evidence == ("a", "b", "c")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("two\r\nlines\tand more", "two lines and more"),
        ("red \x1b[31m", "red \\x1b[31m"),
        ("turned \u202e round", "turned \\u202e round"),
        ("half a pair \ud800", "half a pair \\ud800"),
        ("Zoë, 打印机", "Zoë, 打印机"),
        ("", ""),
    ],
)
def test_text_is_one_visible_line(text: str, line: str) -> None:
    assert one_line(text, 100) == line


def test_a_long_text_is_cut_and_says_so() -> None:
    known = bounded(notice(what="x" * 5_000))
    assert len(known.what) == TEXT_MAX
    assert known.what.endswith("x" + CUT)
    assert one_line("x" * 10, 10) == "x" * 10


def test_the_subject_is_the_same_for_every_message_of_an_alert() -> None:
    later = notice(step="updated", nth=2, severity="info", title="other", findings=9, pages=80)
    assert {stable_subject(one) for one in (notice(), later, over())} == {"Pagereeve: meter silent (library-1)"}
    assert stable_subject(notice(subject="")) == "Pagereeve: meter silent"


def test_everything_in_one_line() -> None:
    line = one_liner(notice(first="Look", what="It is off!\nReally"))
    assert line.startswith(
        "The meter of library-1 does not answer. Critical, since 2026-11-25 09:00:00 UTC. It is off!"
    )
    assert " Look. pagereeve findings show f-0a1b2c3d4e5f." in line
    assert "\n" not in line
