"""Persons' sums of which some printers' part was taken out and another put in are those of the rows that stand."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.accounts.charge_sums import LoginSums, charge_sums
from pagereeve.domain.accounts.period_sums import charge_totals
from pagereeve.domain.ledger import Charge, RowSegment, Verdict
from tests.journal_samples import NOON_US, charge, key

PRINTERS = ("east", "north", "west")
CHARGES = st.builds(
    lambda minute, owner, channel, verdict, figures: replace(
        charge("", key(minute), NOON_US + minute, channel),
        owner=owner,
        verdict=verdict,
        released=figures[0],
        counted=figures[1],
        charged=figures[1] or 0,
        unproven=figures[2],
        unit=None if figures[2] == 2 else charge("", key(1), 0).unit,
    ),
    st.integers(0, 9),
    st.sampled_from(["anise", "Anise ", "basil", "BASIL"]),
    st.sampled_from(["total", "mono"]),
    st.sampled_from([None, Verdict.AGREES, Verdict.UNPROVEN]),
    st.tuples(st.one_of(st.none(), st.integers(0, 5)), st.one_of(st.none(), st.integers(0, 5)), st.integers(0, 2)),
)
ROWS = st.dictionaries(st.sampled_from(PRINTERS), st.lists(CHARGES, max_size=6), max_size=3)


def segments(rows: dict[str, list[Charge]]) -> list[RowSegment]:
    return [
        RowSegment(printer, NOON_US, None, (), tuple(replace(one, printer=printer) for one in some), (), ())
        for printer, some in sorted(rows.items())
    ]


@given(st.lists(ROWS, min_size=1, max_size=6))
def test_what_was_taken_out_and_put_in_comes_to_what_stands(changes: list[dict[str, list[Charge]]]) -> None:
    sums, stands = LoginSums(), dict[str, list[Charge]]()
    span = (NOON_US, NOON_US + 8)
    for change in changes:
        stands |= change
        sums.replace(change, charge_sums(segments(change), *span))
        assert sums.lines() == charge_totals("person", segments(stands), *span)
        held = {one.owner for some in stands.values() for one in some if one.started_us < span[1]}
        assert sums.logins >= len(held)
        assert bool(sums.logins) is bool(sums.rows) is bool(held)
