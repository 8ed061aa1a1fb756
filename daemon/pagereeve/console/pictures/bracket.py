"""A release's bracket: the readings before and after it, its window, what else ran in it. It has nobody's name."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.console.pictures.life import Axis, LaneName, LifePicture, Mark, draw_meter, ticks_of
from pagereeve.domain.badges.swipes import swipes_of
from pagereeve.domain.ledger import Charge
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.printer_life import meter_shown
from pagereeve.queries.release_evidence import Evidence

# The picture begins so much before the bracket, and ends so much after it.
AROUND: Final = 0.08
AROUND_LEAST_US: Final = SECOND_US
READINGS_MAX: Final = 500


def bracket_of(evidence: Evidence, charge: Charge, zone: ZoneInfo) -> LifePicture:
    """Of the channel of ``charge``. While the bracket is open it ends with the last that is known."""
    axis = axis_of(evidence)
    levels, _ = meter_shown(evidence.plateaus[-READINGS_MAX:], charge.channel, lambda _: evidence.policy)
    stretches = [one for one in evidence.stretches if one.channel == charge.channel]
    picture = draw_meter(axis, stretches, levels, ticks_of(axis.from_us, axis.to_us, zone))
    for name, marks in _lanes(axis, evidence, charge):
        picture.add_lane(name, marks)
    return picture


def axis_of(evidence: Evidence) -> Axis:
    from_us, to_us = evidence.from_us, evidence.to_us
    if to_us is None:
        known = [one.last_received_us for one in evidence.plateaus] + [one.origin.at_us for one in evidence.ends]
        to_us = max([evidence.started_us, *known])
    badges = [one.origin.at_us for one in evidence.badges if _is_its(evidence, one.badge)]
    from_us = min([from_us, *badges])
    around_us = max(AROUND_LEAST_US, int((to_us - from_us) * AROUND))
    return Axis(from_us - around_us, to_us + around_us)


def _is_its(evidence: Evidence, badge: str) -> bool:
    return any(one.badge == badge for one in evidence.starts if one.badge)


def _lanes(axis: Axis, evidence: Evidence, charge: Charge) -> list[tuple[LaneName, list[Mark]]]:
    ended_us = charge.ended_us if charge.ended_us is not None else charge.started_us
    closed_us = axis.to_us if charge.closed_us is None else charge.closed_us
    others = {(one.release, one.started_us): one.ended_us or one.started_us for one in evidence.others}
    badges = swipes_of([one for one in evidence.badges if _is_its(evidence, one.badge)], evidence.swipe_us)
    return [
        ("release", [axis.mark(charge.started_us, ended_us)]),
        ("window", [axis.mark(charge.started_us, closed_us)]),
        ("others", [axis.mark(key[1], until_us) for key, until_us in sorted(others.items())]),
        ("badges", [axis.mark(one.first.origin.at_us, one.last_us) for one in badges]),
        ("silences", [axis.mark(one.first_sent_us, one.last_received_us) for one in evidence.silences]),
    ]
