"""What commands print for people: texts as they stand."""

from __future__ import annotations

import pytest

from pagereeve.cli.output import show
from pagereeve.cli.site import NO_ZONE_SET


def test_brackets_of_a_text_are_shown_and_no_markup(capsys: pytest.CaptureFixture[str]) -> None:
    """Rich takes ``[site]`` for a style that it does not know, and leaves it out."""
    show(NO_ZONE_SET, "a period [bold]")
    assert capsys.readouterr().out.splitlines() == [NO_ZONE_SET, "a period [bold]"]
