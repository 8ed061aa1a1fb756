"""Small laws: shares by largest remainder, intervals, canonical JSON, the recorder."""

from __future__ import annotations

import itertools
import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.allocation import Movement, largest_remainder, share_out
from pagereeve.domain.brackets.expectation import expect, total_of
from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Failure, Reading, Sight, SilenceReason, Unit, decode_error_bits
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.canonical import SAFE_INTEGER, canonical, number_text
from pagereeve.domain.values.instants import from_text, to_text
from tests.facts_strategies import POLICIES, TICKETS

WEIGHTS = st.lists(st.integers(0, 10**6), min_size=1, max_size=12)
PAGES = st.integers(0, 10**7)


@given(PAGES, WEIGHTS)
def test_parts_sum_to_the_whole_and_none_is_more_than_one_page_off(pages: int, weights: list[int]) -> None:
    parts = largest_remainder(pages, weights)
    assert sum(parts) == pages
    weight = sum(weights) or len(weights)
    for part, one in zip(parts, weights if sum(weights) else [1] * len(weights), strict=True):
        exact = pages * one
        assert exact // weight <= part <= -(-exact // weight)


@given(PAGES, WEIGHTS)
def test_a_larger_weight_never_gets_less(pages: int, weights: list[int]) -> None:
    parts = largest_remainder(pages, weights)
    ranked = sorted(zip(weights, parts, strict=True))
    assert all(left[1] <= right[1] for left, right in itertools.pairwise(ranked) if left[0] < right[0])


@st.composite
def intervals(draw: st.DrawFn) -> Interval:
    least = draw(st.integers(0, 1000))
    return Interval(least, draw(st.none() | st.integers(least, 2000)))


@given(st.integers(0, 20_000), st.lists(intervals(), min_size=1, max_size=6), st.data())
def test_shares_sum_to_the_count_and_fit_where_the_sum_fits(
    counted: int, expected: list[Interval], data: st.DataObject
) -> None:
    movements: list[Movement] = []
    left = counted
    while left > 0 and len(movements) < 8:
        pages = data.draw(st.integers(1, left))
        movers = data.draw(st.lists(st.integers(0, len(expected) - 1), unique=True, max_size=len(expected)))
        movements.append(Movement(pages, tuple(sorted(movers))))
        left -= pages
    parts, _ = share_out(counted, expected, movements)
    assert sum(parts) == counted
    assert all(part >= 0 for part in parts)
    if total_of(expected).holds(counted):
        assert all(one.holds(part) for one, part in zip(expected, parts, strict=True))


@given(st.lists(intervals(), max_size=5), st.lists(intervals(), max_size=5))
def test_a_sum_of_intervals_is_the_sum_of_its_parts_and_grows(left: list[Interval], right: list[Interval]) -> None:
    both, one = total_of(left + right), total_of(left)
    assert both == total_of([one, total_of(right)])
    assert both.least >= one.least
    assert both.most is None or (one.most is not None and both.most >= one.most)


@given(TICKETS, POLICIES, st.sampled_from(Unit), st.sampled_from(["total", "sheets", "mono"]))
def test_any_ticket_gives_an_interval_and_its_claim_lies_below(
    ticket: Ticket, policy: Policy, unit: Unit, channel: str
) -> None:
    expected = expect(channel, unit, ticket, None, policy)
    assert expected.count.least >= 0
    assert expected.count.most is None or expected.count.least <= expected.count.most
    assert expected.claim.most is None or expected.claim.least <= expected.claim.most
    assert expected.claim.least <= expected.count.least or channel == "mono"


@given(st.integers(1, 500), st.integers(1, 16), st.integers(1, 20), st.sampled_from(Unit))
def test_a_ticket_that_says_less_never_promises_more(pages: int, up: int, copies: int, unit: Unit) -> None:
    """Forgetting a field may only widen the interval."""
    full: dict[str, Any] = {
        "pages": pages,
        "number_up": up,
        "copies": copies,
        "sides": "two-sided-long-edge",
        "separator_sheets": 1,
    }
    known = expect("total", unit, Ticket(**full), None, Policy(separator_sheets=None)).count
    for name in full:
        wide = expect("total", unit, Ticket(**(full | {name: None})), None, Policy(separator_sheets=None)).count
        assert wide.least <= known.least, name
        assert wide.most is None or (known.most is not None and known.most <= wide.most), name


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-SAFE_INTEGER, SAFE_INTEGER)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8")),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(st.characters(codec="utf-8")), inner),
    max_leaves=12,
)


@given(JSON)
def test_canonical_bytes_read_back_as_the_same_value_and_are_a_fixed_point(value: Any) -> None:
    written = canonical(value)
    read = json.loads(written, parse_int=_integer)
    assert read == value
    assert canonical(read) == written


def _integer(digits: str) -> int | float:
    """A large double is written without a point; JSON knows one kind of number (RFC 8785 section 3.2.2.3)."""
    return int(digits) if abs(int(digits)) <= SAFE_INTEGER else float(digits)


@given(st.dictionaries(st.text(st.characters(codec="utf-8")), st.integers(0, 9), min_size=2))
def test_the_order_of_members_does_not_matter(members: dict[str, int]) -> None:
    assert canonical(dict(reversed(members.items()))) == canonical(members)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_exactly(value: float) -> None:
    assert float(number_text(value)) == value


@given(st.binary(max_size=6))
def test_error_bits_do_not_depend_on_trailing_zeros(octets: bytes) -> None:
    """Agents shorten the string (RFC 2790 section 4)."""
    assert decode_error_bits(octets) == decode_error_bits(octets + b"\x00\x00")


@given(st.integers(-30_610_224_000_000_000, 253_402_300_799_999_999))
def test_an_instant_survives_its_text_and_text_sorts_as_time_does(at_us: int) -> None:
    assert from_text(to_text(at_us)) == at_us
    if at_us < 253_402_300_799_999_999:
        assert to_text(at_us) < to_text(at_us + 1)


RESULTS = st.lists(
    st.tuples(
        st.integers(0, 10**8),
        st.integers(0, 10**6),
        st.sampled_from([0, 1, 1, 1, 2, None]),
        st.none() | st.integers(0, 2**32 - 1),
    ),
    min_size=1,
    max_size=30,
)


@given(RESULTS)
def test_recorded_runs_never_overlap_and_hold_every_read(
    results: list[tuple[int, int, int | None, int | None]],
) -> None:
    """One read after the other: the clock of the site never goes back, and nothing is put in order."""
    runs: list[PlateauRead | ReadFailed] = []
    current: PlateauRead | ReadFailed | None = None
    now_us = 10**9
    for step_us, took_us, value, uptime_cs in results:
        now_us += step_us
        began_us, now_us = now_us, now_us + took_us
        if value is None:
            result: Reading | Failure = Failure(began_us, now_us, SilenceReason.TIMEOUT)
        else:
            sight = Sight((("total", Count(value, Unit.IMPRESSIONS)),))
            result = Reading(began_us, now_us, sight, uptime_cs)
        recorded = record("p", current, result)
        current = recorded.current
        runs += [] if recorded.sealed is None else [recorded.sealed]
    assert current is not None
    spans = [_span(one) for one in [*runs, current]]
    assert sum(count for _, _, count in spans) == len(results)
    assert all(from_us <= to_us for from_us, to_us, _ in spans)
    assert all(left[1] <= right[0] for left, right in itertools.pairwise(spans))


def _span(one: PlateauRead | ReadFailed) -> tuple[int, int, int]:
    if isinstance(one, PlateauRead):
        return one.plateau.first_sent_us, one.plateau.last_received_us, one.plateau.count
    return one.silence.first_sent_us, one.silence.last_received_us, one.silence.count
