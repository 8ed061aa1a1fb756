"""Entries of printers without a meter that can be asked."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.app.registered import registered_printers
from pagereeve.domain.facts.reading import Unit
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.settings.crosschecks import problems_between
from pagereeve.settings.errors import BadSettings
from pagereeve.settings.single_printer import lone_printer


def test_nothing_is_asked_and_the_policy_says_what_the_panel_counts() -> None:
    entry = PrinterSettings.model_validate({"name": "cellar", "meter": "panel", "unit": "sheets"})
    asked = PrinterSettings(name="hall", host="192.0.2.1")
    known = registered_printers(Settings(printers=(entry, asked)))
    assert (known["cellar"].target, known["cellar"].policy.panel_unit) == (None, Unit.SHEETS)
    assert known["hall"].target is not None
    assert known["hall"].policy.panel_unit is None


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"meter": "panel"}, "needs unit; say whether the panel counts impressions or sheets"),
        ({"meter": "panel", "unit": "sheets", "ipp_port": 631}, "ipp_port say how a meter is asked"),
        ({"meter": "panel", "unit": "sheets", "community": "c"}, "community say how a meter is asked"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_to_write(said: dict[str, Any], text: str) -> None:
    with pytest.raises(BadSettings) as raised:
        lone_printer("printer.example", said)
    assert text in str(raised.value)


def test_panels_share_no_place_on_the_network() -> None:
    rows = [{"name": f"p{nth}", "meter": "panel", "unit": "sheets", "host": "panel.invalid"} for nth in range(2)]
    assert problems_between([], rows, {}) == []
