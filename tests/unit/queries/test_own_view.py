"""What a release's owner may see of its evidence: no other person's name, and nobody's free words."""

from __future__ import annotations

import json
from zoneinfo import ZoneInfo

from pagereeve.domain.facts.facts import Decided, Fact, PrinterNoted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.queries.explain import Explained, explained
from pagereeve.queries.own_view import for_its_owner
from pagereeve.reports.explain import NAMES_LEFT_OUT, explain_json, explain_text
from tests.histories import ONE_RELEASE, PRINTER, SOURCE, ended, journal_of, origin, policy, reading, started
from tests.unit.queries.test_late_notices import HOUR, told_at

UTC = ZoneInfo("UTC")


def pages(count: int) -> Ticket:
    return Ticket(pages=count, copies=1, sides="one-sided", number_up=1, separator_sheets=0)


# anise, basil and ANISE share a bracket that fits; basil's notice came an hour late.
SHARED: tuple[Fact, ...] = (
    policy(),
    reading(-60, -1, 100),
    started("r-1", 0, "anise", pages(2)),
    told_at(started("r-2", 1, "basil", pages(4)), HOUR),
    started("r-3", 2, "ANISE ", pages(1)),
    ended("r-1", 3),
    told_at(ended("r-2", 4), HOUR + 1),
    ended("r-3", 5),
    PrinterNoted(PRINTER, origin("note", 5.0), "moved", "Basil from the second floor said so"),
    reading(9, 60, 107),
    reading(1.5 * HOUR, 1.5 * HOUR + 60, 107),
)


def told(known: Explained) -> str:
    return explain_text(known, UTC) + json.dumps(explain_json(known))


async def test_others_are_their_releases_and_one_sum() -> None:
    (known,) = await explained(await journal_of(SHARED), "r-1")
    assert "person:basil receives 4" in told(known)
    seen = for_its_owner(known)
    text = explain_text(seen, UTC)
    assert "basil" not in told(seen).casefold()
    assert "other people receive 4" in text
    assert "r-2 (4)" in text
    assert "r-3 of ANISE  (1)" in text, "her own other release, in whatever case, is no other person's"
    assert "other people +4" in text
    assert "for this release and 2 others together; its part is 2." in text
    assert "noted: moved" in text
    assert NAMES_LEFT_OUT in text
    assert NAMES_LEFT_OUT not in explain_text(known, UTC)
    assert (explain_json(seen)["names_left_out"], explain_json(known)["names_left_out"]) == (True, False)
    assert sum(pages for one in seen.evidence.postings for _, pages in one.legs) == 0


async def test_a_release_of_nobody_else_is_shown_as_it_is() -> None:
    (known,) = await explained(await journal_of(ONE_RELEASE), "r-1001")
    assert for_its_owner(known) == known


async def test_what_is_personal_in_findings_is_left_out_but_the_owners_own_job() -> None:
    (known,) = await explained(await journal_of(ONE_RELEASE), "r-1001")
    key = ReleaseKey(SOURCE, "r-1001")
    start = known.evidence.starts[0]
    decided = Decided(PRINTER, origin("d-1", 60), "", "explain", "warden", "other", "Basil asked for it")
    evidence = [
        shown.release(key),
        shown.job(start),
        shown.owners("basil", "anise"),
        shown.perhaps_read("shifted by one bit"),
        shown.decided(decided),
    ]
    known.evidence.findings = [find.make("badge-owner-differs", PRINTER, (), 0, shown.other_owner(), evidence)]
    seen = for_its_owner(known)
    text = explain_text(seen, UTC)
    assert [one.kind.value for one in seen.evidence.findings[0].evidence] == ["release", "job", "decided"]
    assert "job job-r-1001, owner anise" in text
    assert ": explain, other" in text
    for name in ("basil", "warden", "shifted"):
        assert name not in told(seen).casefold()
        assert name in told(known).casefold()
