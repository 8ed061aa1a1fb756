"""Text from outside on a terminal: what it would obey is written out, all else is left as it is."""

from __future__ import annotations

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.visible import visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("", ""),
        ("Büro 3, 2. Stock", "Büro 3, 2. Stock"),
        ("a\x1b[31mb", "a\\x1b[31mb"),
        ("a\nb\tc", "a\\nb\\tc"),
        # What turns the direction of writing, and what has no width.
        ("a\u202eb\u200b", "a\\u202eb\\u200b"),
        ("ä\x9b", "ä\\x9b"),
    ],
)
def test_what_a_terminal_would_obey_is_written_out(text: str, shown: str) -> None:
    assert visible(text) == shown
    assert visible(text).isprintable()


def test_what_is_no_instant_is_quoted_as_far_as_forty_letters() -> None:
    with pytest.raises(BadFact, match=r"^time: 'x{40}' is no RFC 3339 time"):
        from_text("x" * 50)
    with pytest.raises(BadFact, match=r"^time: '2026-02-30T09:00:00.000000000\+00:00' names no instant"):
        from_text("2026-02-30T09:00:00.000000000+00:00")
