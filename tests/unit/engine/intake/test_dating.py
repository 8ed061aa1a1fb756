"""The first stage alone: the instant of an event, by what its source's clock has shown."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from pagereeve.domain.facts.events import PRINTER_NOTED
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake import dating
from pagereeve.engine.intake.dating import Dating
from pagereeve.ports.intake import BadgeLine, Envelope, RefusedInput

NOW_US = 1_800_000_000 * SECOND_US
BADGE = "04A1B2C3D4E5F6"


class StandingClock:
    def now_us(self) -> int:
        return NOW_US

    def monotonic_us(self) -> int:
        return 0

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(f"dating waits {seconds} s")


class Delays:
    """A source whose events came ``late_s`` after the time that they claimed; ``asked`` are the questions."""

    def __init__(self, late_s: int = 0) -> None:
        self.asked: list[str] = []
        self._late_us = late_s * SECOND_US

    async def __call__(self, source: str, limit: int) -> Sequence[tuple[int, int]]:
        self.asked.append(source)
        received = [NOW_US - (limit - nth) * 30 * SECOND_US for nth in range(limit)]
        return [(at_us - self._late_us, at_us) for at_us in received]


def dating_of(delays: Delays) -> Dating:
    return Dating(StandingClock(), delays, EngineCounters())


def noted(time: str | None, source: str = "urn:x") -> Envelope:
    return Envelope(source, "e1", PRINTER_NOTED, time, {"printer": "p", "note": "moved"})


async def test_an_event_without_a_time_has_its_arrival() -> None:
    stage = dating_of(Delays())
    origin = (await stage.envelope(noted(None))).event.origin
    assert (origin.at_us, origin.received_us, origin.occurred_us, origin.clock) == (NOW_US, NOW_US, None, "missing")
    assert stage.counters.clock_marks == {"missing": 1}


async def test_the_claim_of_a_good_clock_stands() -> None:
    stage = dating_of(Delays())
    claimed_us = NOW_US - 2 * SECOND_US
    origin = (await stage.envelope(noted(to_text(claimed_us)))).event.origin
    assert (origin.at_us, origin.occurred_us, origin.clock) == (claimed_us, claimed_us, "")
    assert stage.counters.clock_marks == {"as-claimed": 1}


async def test_a_clock_that_the_journal_knows_to_be_behind_is_corrected_from_the_first_event_on() -> None:
    late_s = 60
    stage = dating_of(Delays(late_s))
    claimed_us = NOW_US - late_s * SECOND_US
    origin = (await stage.envelope(noted(to_text(claimed_us)))).event.origin
    assert (origin.occurred_us, origin.clock) == (claimed_us, "corrected")
    assert origin.at_us == NOW_US - 1 * SECOND_US


async def test_the_journal_is_asked_once_for_each_source_that_is_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dating, "SOURCES_MAX", 2)
    delays = Delays()
    stage = dating_of(delays)
    for source in ("a", "b", "a", "c", "a", "b"):
        await stage.envelope(noted(None, source))
    assert delays.asked == ["a", "b", "c", "b"]


async def test_a_bad_event_teaches_nothing_of_its_sources_clock() -> None:
    delays = Delays()
    stage = dating_of(delays)
    with pytest.raises(BadFact, match="note"):
        await stage.envelope(Envelope("urn:x", "e1", PRINTER_NOTED, to_text(NOW_US), {"printer": "p", "note": "sold"}))
    assert (delays.asked, stage.counters.clock_marks) == ([], {})


async def test_a_line_has_its_arrival_and_the_beginning_of_an_identity() -> None:
    dated = dating_of(Delays()).line(BadgeLine("gw", BADGE, "desk", NOW_US - 5, "left"))
    event = dated.event
    assert isinstance(event, BadgePresented)
    assert not dated.named
    assert (event.gateway, event.reader, event.badge) == ("gw", "left", BADGE)
    assert (event.origin.source, event.origin.id) == ("urn:pagereeve:feed:desk", f"{NOW_US - 5:017d}-gw")
    assert (event.origin.at_us, event.origin.clock) == (NOW_US - 5, "missing")


async def test_a_badge_number_that_is_still_in_clear_shows_in_no_repr() -> None:
    line = BadgeLine("gw", BADGE, "desk", NOW_US)
    assert BADGE not in repr(line)
    assert BADGE not in repr(dating_of(Delays()).line(line))


async def test_of_a_refused_line_nothing_of_its_sample_is_kept() -> None:
    unreadable = dating_of(Delays()).refused(RefusedInput("desk", "line-too-long", "gateway gw", b"99x9", "gw", "left"))
    assert isinstance(unreadable, BadgeUnreadable)
    assert (unreadable.gateway, unreadable.reason, unreadable.reader) == ("gw", "line-too-long", "left")
    assert unreadable.origin.id == f"{NOW_US:017d}-gw-refused"
    assert "99x9" not in repr(unreadable)


@pytest.mark.parametrize(
    ("envelope", "where"),
    [
        (Envelope("urn:x\u202e", "e1", PRINTER_NOTED, None, {}), "source"),
        (Envelope("urn:x", "e1\u0085", PRINTER_NOTED, None, {}), "id"),
        (
            Envelope("urn:x", "e1", PRINTER_NOTED, None, {"printer": "p", "note": "moved", "text": "\u2066"}),
            "data.text",
        ),
    ],
)
async def test_control_characters_are_refused_before_anything_else(envelope: Envelope, where: str) -> None:
    with pytest.raises(BadFact, match=r"U\+[0-9A-F]{4} as character") as refused:
        await dating_of(Delays()).envelope(envelope)
    assert refused.value.where == where


async def test_a_line_names_what_it_holds_and_nothing_else() -> None:
    with pytest.raises(BadFact, match=r"this one holds U\+200E as character 3") as refused:
        dating_of(Delays()).line(BadgeLine("gw", "04\u200eA1", "desk", NOW_US))
    assert "A1" not in str(refused.value)


async def test_while_our_own_clock_is_not_agreed_an_event_counts_from_its_arrival_and_its_claim_is_heard() -> None:
    heard: list[tuple[str, int, int]] = []
    delays = Delays()
    stage = Dating(StandingClock(), delays, EngineCounters(), lambda: False, lambda *claim: heard.append(claim))
    claimed_us = NOW_US - 5 * SECOND_US
    origin = (await stage.envelope(noted(to_text(claimed_us)))).event.origin
    assert (origin.at_us, origin.occurred_us, origin.clock) == (NOW_US, claimed_us, "not-agreed")
    await stage.envelope(noted(None))
    assert heard == [("urn:x", claimed_us, NOW_US)]
    assert delays.asked == []
