"""How many slips of the hand lie between two names: worked out on paper."""

from __future__ import annotations

import pytest

from pagereeve.domain.values.edits import edits


@pytest.mark.parametrize(
    ("one", "other", "count"),
    [
        ("", "", 0),
        ("job-1", "job-1", 0),
        ("", "job", 3),
        ("job-27", "job-027", 1),
        ("job-027", "job-072", 1),
        ("jbo-27", "job-72", 2),
        ("kitten", "sitting", 3),
        ("ca", "abc", 3),
    ],
)
def test_letters_put_in_left_out_exchanged_or_swapped(one: str, other: str, count: int) -> None:
    assert edits(one, other) == edits(other, one) == count
