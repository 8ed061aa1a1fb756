"""Facts and the data of events: the largest figure, the longest name and the most channels that are taken."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.events import data_of, event_of
from pagereeve.domain.facts.facts import Origin, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.reading import decode_error_bits
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.domain.values.errors import BadFact
from tests.unit.domain.facts.test_codec import first
from tests.unit.domain.facts.test_events import WHOLE

ORIGIN = Origin("urn:invented:server", "e1", 7, 9)
STARTED, ENDED = "pagereeve.release.started.v1", "pagereeve.release.ended.v1"
TICKET_LIMITS = {
    "pages": (0, 10_000_000),
    "copies": (1, 100_000),
    "number_up": (1, 256),
    "separator_sheets": (0, 2),
}


@pytest.mark.parametrize(("name", "limits"), TICKET_LIMITS.items())
def test_a_tickets_figures_have_limits(name: str, limits: tuple[int, int]) -> None:
    least, most = limits
    for value in limits:
        data = WHOLE["started"] | {"ticket": {name: value}}
        event = event_of(STARTED, ORIGIN, data)
        assert isinstance(event, ReleaseStarted)
        assert getattr(event.ticket, name) == value
        assert data_of(event)[1] == data
    for value in (least - 1, most + 1):
        with pytest.raises(BadFact, match=rf"data\.ticket\.{name}: is {value}; {least} to {most}"):
            event_of(STARTED, ORIGIN, WHOLE["started"] | {"ticket": {name: value}})


def test_pages_sent_have_limits() -> None:
    for value in (0, 10_000_000):
        event = event_of(ENDED, ORIGIN, WHOLE["ended"] | {"pages_sent": value})
        assert isinstance(event, ReleaseEnded)
        assert event.pages_sent == value
    for value in (-1, 10_000_001):
        with pytest.raises(BadFact, match=r"data\.pages_sent"):
            event_of(ENDED, ORIGIN, WHOLE["ended"] | {"pages_sent": value})


@pytest.mark.parametrize("name", ["printer", "release", "job", "owner", "gateway", "badge", "queue", "was"])
def test_a_name_has_two_hundred_letters_at_most(name: str) -> None:
    event = event_of(STARTED, ORIGIN, WHOLE["started"] | {name: "x" * 200})
    assert getattr(event, name) == "x" * 200
    with pytest.raises(BadFact, match=rf"data\.{name}: is 201 characters long; 200 at most"):
        event_of(STARTED, ORIGIN, WHOLE["started"] | {name: "x" * 201})


def test_an_unknown_type_is_quoted_as_far_as_eighty_letters() -> None:
    with pytest.raises(BadFact) as refused:
        event_of("x" * 100, ORIGIN, {})
    assert f"'{'x' * 80}' is not known" in str(refused.value)


def reading(**changes: Any) -> dict[str, Any]:
    counts = {"counts": {"total": 5}, "units": {"total": "sheets"}, "moduli": {}, "objects": {}}
    return first("reading") | counts | changes


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"counts": {"total": 0}}, None),
        ({"counts": {"total": FIGURE_MAX}}, None),
        ({"counts": {"total": -1}}, r"counts\.total: is -1; 0 to"),
        ({"counts": {"total": FIGURE_MAX + 1}}, r"counts\.total: is \d+; 0 to"),
        ({"moduli": {"total": 0}}, None),
        ({"moduli": {"total": -1}}, r"moduli\.total: is -1; 0 to"),
        ({"moduli": {"total": FIGURE_MAX + 1}}, r"moduli\.total: is"),
        ({"count": 1}, None),
        ({"count": 0}, r"count: is 0; 1 to"),
        ({"first_uptime": None}, "unknown members: first_uptime"),
        ({"first_uptime_cs": 2**32 - 1}, None),
        ({"first_uptime_cs": 2**32}, r"first_uptime_cs: is 4294967296; 0 to 4294967295"),
        ({"last_uptime_cs": 0}, None),
        ({"last_uptime_cs": -1}, r"last_uptime_cs: is -1"),
        ({"first_power_on": -1}, r"first_power_on: is -1"),
        ({"last_power_on": 0}, None),
        ({"errors": ["jammed"] * 32}, None),
        ({"errors": ["jammed"] * 33}, "errors: a list of at most 32 texts"),
    ],
)
def test_figures_of_a_reading_have_limits(changes: dict[str, Any], problem: str | None) -> None:
    members = reading(**changes)
    if problem is None:
        written = to_json(from_json(members))
        for name, value in changes.items():
            assert written[name] == value
        return
    with pytest.raises(BadFact, match=problem):
        from_json(members)


def test_a_reading_has_thirty_two_channels_at_most() -> None:
    names = [f"c{nth:02}" for nth in range(33)]
    units = dict.fromkeys(names, "sheets")
    most = reading(counts=dict.fromkeys(names[:32], 1), units=dict.fromkeys(names[:32], "sheets"))
    assert len(to_json(from_json(most))["counts"]) == 32
    with pytest.raises(BadFact, match="counts: has 33 channels; 32 at most"):
        from_json(reading(counts=dict.fromkeys(names, 1), units=units))


TIMES = ("first_sent", "first_received", "last_sent", "last_received")


@pytest.mark.parametrize(
    ("seconds", "taken"),
    [
        ((5, 5, 5, 5), True),
        ((5, 6, 5, 6), True),
        ((5, 6, 6, 6), True),
        ((5, 7, 6, 8), True),
        ((6, 5, 6, 7), False),
        ((5, 7, 6, 6), False),
        ((5, 6, 4, 7), False),
        ((5, 6, 8, 7), False),
    ],
)
def test_a_readings_four_times_are_in_order(seconds: tuple[int, ...], taken: bool) -> None:
    times = {name: f"2026-01-31T09:00:0{second}.000000Z" for name, second in zip(TIMES, seconds, strict=True)}
    members = reading(**times)
    if taken:
        written = to_json(from_json(members))
        assert {name: written[name] for name in TIMES} == times
        return
    with pytest.raises(BadFact, match="last_received: the reading ends before it begins"):
        from_json(members)


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("settle_us", 0, FIGURE_MAX),
        ("tolerance_pages", 0, FIGURE_MAX),
        ("separator_sheets", 0, 2),
        ("large_media_weight", 0, 2),
        ("start_up_pages", 0, FIGURE_MAX),
    ],
)
def test_rules_of_a_printer_have_limits(name: str, least: int, most: int) -> None:
    for value in (least, most):
        assert to_json(from_json(first("policy") | {"policy": {name: value}}))["policy"][name] == value
    for value in (least - 1, most + 1):
        with pytest.raises(BadFact, match=rf"policy\.{name}: is {value}; {least} to {most}"):
            from_json(first("policy") | {"policy": {name: value}})


@pytest.mark.parametrize("name", ["swipe_us", "travel_us", "nearby_us", "noisy_frames", "changed_badges", "silent_us"])
def test_rules_of_badges_have_limits(name: str) -> None:
    for value in (0, FIGURE_MAX):
        assert to_json(from_json(first("entrance-policy") | {"policy": {name: value}}))["policy"][name] == value
    for value in (-1, FIGURE_MAX + 1):
        with pytest.raises(BadFact, match=rf"policy\.{name}"):
            from_json(first("entrance-policy") | {"policy": {name: value}})


@pytest.mark.parametrize(
    ("media", "large"),
    [
        # PWG 5101.1: legal is 216 x 356 mm, ledger 11 x 17 in.
        ("na_legal_8.5x14in", False),
        ("na_ledger_11x17in", True),
        ("iso_a4_210x297mm", False),
        ("iso_a3_297x420mm", True),
        ("custom_1_357x100mm", True),
        ("custom_1_100x357mm", True),
        ("custom_1_356.9x100mm", False),
        ("custom_1_14.05x1in", False),
        ("custom_1_14.06x1in", True),
        ("a3", None),
        ("photo", None),
    ],
)
def test_a_medium_is_large_beyond_the_longest_sheet_of_office_size(media: str, large: bool | None) -> None:
    assert is_large(media) is large


@pytest.mark.parametrize(
    ("octets", "names"),
    [
        (b"", ()),
        (b"\x80", ("lowPaper",)),
        (b"\x01", ("serviceRequested",)),
        (b"\x00\x80", ("inputTrayMissing",)),
        (b"\x00\x02", ("overduePreventMaint",)),
        (b"\x00\x01", ()),
        (b"\x04\x40\xff", ("jammed", "outputTrayMissing")),
    ],
)
def test_error_bits_are_counted_from_the_top_bit_of_the_first_octet(octets: bytes, names: tuple[str, ...]) -> None:
    """RFC 2790 section 4, hrPrinterDetectedErrorState."""
    assert decode_error_bits(octets) == names
