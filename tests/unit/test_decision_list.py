"""Lists of pages to decide on: what a line leaves out holds as the command says it, and what is wrong is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.app.page_decisions import PagesRequest
from pagereeve.cli.decision_list import requests_in
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text

WAIVE = PageDecision("waive", 0, "agreed", "total", "/server")


def test_a_line_says_what_is_other(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text(
        "\ufeffrelease,source,finding,closes,printer,pages,reason\n"
        "r-1,,,,,3,jam\nr-2,/other,,,,,\n,,f-1,,,,\n,,,2026-11-25T10:00:00Z,library,2,\n"
    )
    of_release = PageDecision("waive", 3, "jam", "total", "/server", "r-1")
    closes_us = from_text("2026-11-25T10:00:00Z")
    assert requests_in(path, WAIVE) == [
        PagesRequest(f"{path}, line 2", of_release),
        PagesRequest(f"{path}, line 3", PageDecision("waive", 0, "agreed", "total", "/other", "r-2")),
        PagesRequest(f"{path}, line 4", PageDecision("waive", 0, "agreed", "total"), finding="f-1"),
        PagesRequest(f"{path}, line 5", PageDecision("waive", 2, "agreed", "total", closes_us=closes_us), "library"),
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "has no heading"),
        ("release,mood\nr-9,odd\n", "has the column 'mood'"),
        ("release,pages\nr-9,-1\n", "line 2: pages '-1' is no number"),
        ("release,pages\nr-9,0\n", "line 2: pages '0' is no number"),
        ("release,reason\nr-9,gremlins\n", "line 2: reason 'gremlins' is not known"),
        ("release,finding\nr-9,f-1\n", "line 2: must name one of release, finding and closes"),
        ("release,pages\nr-9,1,2\n", "line 2: has more cells than the heading"),
        ("closes\nyesterday\n", "line 2: 'yesterday' is no RFC 3339 time"),
        ("release\n" + "r-1\n" * 1001, "has 1001 lines; 1000 at once at most"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "list.csv"
    path.write_text(text)
    with pytest.raises(Exception, match=told) as refused:
        requests_in(path, WAIVE)
    assert isinstance(refused.value, BadQuestion) or "yesterday" in text
