"""Which names go into which request, for any agent: whatever it does, the end comes, and soon."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.meters.snmp.ber import COUNTER32, NO_SUCH_INSTANCE, TIME_TICKS, Varbind, oid_bytes
from pagereeve.meters.snmp.conversation import REQUESTS_MORE, REQUESTS_PER_NAME
from pagereeve.meters.snmp.gathering import Gathering, Part, Restarted
from pagereeve.meters.snmp.limits import AgentLimits
from pagereeve.meters.snmp.message import NO_SUCH_NAME, Response
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.stepping import Stepping

NAMES = (SYS_UP_TIME, *(oid_bytes(f"1.3.6.1.2.1.43.10.2.1.4.1.{row}") for row in range(1, 12)))
GROUPS = (NAMES[2:5], NAMES[4:6])


def value(name: bytes, answer: int = 7) -> Varbind:
    """``answer`` numbers the answer in which it comes; sysUpTime rests."""
    if name == SYS_UP_TIME:
        return Varbind(name, TIME_TICKS, b"\x07")
    return Varbind(name, COUNTER32, bytes((answer,)))


@given(st.data())
def test_every_name_is_answered_or_refused_within_the_bound_whatever_comes(data: st.DataObject) -> None:
    gathering = Gathering(NAMES, GROUPS, AgentLimits())
    requests = 0
    while part := gathering.part():
        requests += 1
        assert requests <= REQUESTS_MORE + REQUESTS_PER_NAME * len(NAMES)
        what = data.draw(st.sampled_from(["whole", "some", "none", "big", "blame", "absent"]))
        if what == "big" and len(part) > 1:
            gathering.too_big(part)
        elif what == "blame":
            gathering.blamed(part, data.draw(st.sampled_from(part)), missing=data.draw(st.booleans()))
        elif what in {"whole", "big"}:
            gathering.answered(part, [value(name, requests) for name in part])
        elif what == "some":
            gathering.answered(part, [value(name, requests) for name in data.draw(st.sets(st.sampled_from(part)))])
        elif what == "absent":
            gathering.answered(part, [Varbind(name, NO_SUCH_INSTANCE, b"") for name in part])
        else:
            gathering.failed(part)
    gathering.finish()
    for group in GROUPS:
        found = [gathering.values[name].content for name in group if name in gathering.values]
        assert len(found) < len(group) or len(set(found)) == 1
    assert not set(gathering.values) & (gathering.refused - {SYS_UP_TIME})


@given(most=st.integers(1, 12), lacking=st.sets(st.sampled_from(NAMES[1:])), index=st.sampled_from(["right", "none"]))
def test_all_that_an_agent_has_is_found_though_it_takes_few_and_refuses_whole_requests(
    most: int, lacking: set[bytes], index: str
) -> None:
    limits = AgentLimits()
    for _ in range(2):
        gathering = Gathering(NAMES, (), limits)
        requests = 0
        while part := gathering.part():
            requests += 1
            refused = [name for name in part if name in lacking]
            if len(part) > most:
                gathering.failed(part)
            elif not refused:
                gathering.answered(part, [value(name) for name in part])
            elif index == "right" or len(part) == 1:
                gathering.blamed(part, refused[0], missing=True)
            else:
                gathering.failed(part)
        gathering.finish()
        assert set(gathering.values) == set(NAMES) - lacking
    assert limits.lacking == lacking
    assert limits.get.fails > most
    assert requests <= REQUESTS_MORE + REQUESTS_PER_NAME * len(NAMES)


def test_a_group_comes_from_one_answer() -> None:
    limits = AgentLimits()
    limits.get.failed(5, 4)
    gathering = Gathering(NAMES, (NAMES[2:5],), limits)
    parts: list[Part] = []
    while part := gathering.part():
        parts.append(part)
        gathering.answered(part, [value(name) for name in part])
    assert (SYS_UP_TIME, *NAMES[2:5]) in parts
    assert all(part[0] == SYS_UP_TIME for part in parts)
    assert max(map(len, parts)) <= 4


def test_an_uptime_that_wraps_is_no_restart_and_one_that_goes_back_is() -> None:
    # RFC 2578 section 7.1.8: TimeTicks wrap after 497 days
    for first, then, restarted in ((b"\xff\xff\xff\xf0", b"\x05", False), (b"\x07\x00", b"\x05", True)):
        limits = AgentLimits()
        limits.get.failed(3, 2)
        gathering = Gathering(NAMES[:4], (), limits)
        try:
            for ticks in (first, then):
                part = gathering.part()
                uptime = Varbind(SYS_UP_TIME, TIME_TICKS, b"\0" + ticks)
                gathering.answered(part, [uptime, *map(value, part[1:])])
        except Restarted:
            assert restarted
        else:
            assert not restarted


COLUMNS = [oid_bytes(f"1.3.6.1.2.1.43.{column}") for column in (5, 8, 10)]


@given(most=st.integers(1, 3), ended=st.sets(st.sampled_from(COLUMNS)), index=st.sampled_from(["right", "none"]))
def test_what_follows_is_found_though_whole_requests_are_refused(most: int, ended: set[bytes], index: str) -> None:
    limits = AgentLimits()
    stepping = Stepping(COLUMNS, limits)
    requests = 0
    while part := stepping.part():
        requests += 1
        refused = [place for place, name in enumerate(part, 1) if name in ended]
        if len(part) > most:
            response = Response(1, 5, 0, ())
        elif refused:
            response = Response(1, NO_SUCH_NAME, refused[0] if index == "right" else 0, ())
        else:
            response = Response(1, 0, 0, tuple(value(name + b"\x01") for name in part))
        stepping.answered(response, believed=True)
    stepping.finish()
    assert {name for name, found in stepping.found.items() if found is None} == ended
    assert requests <= 4 * len(COLUMNS)
    assert limits.walk.fails > most


def test_an_agent_that_is_silent_about_two_names_alone_does_not_answer_getnext() -> None:
    limits = AgentLimits()
    stepping = Stepping(COLUMNS, limits)
    requests = 0
    while stepping.part():
        requests += 1
        stepping.unanswered(heard=False)
    assert requests == 3
    assert not limits.walkable
