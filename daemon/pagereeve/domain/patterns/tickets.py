"""A source whose tickets never say how many copies: a surplus by a whole multiple is then a question about the source.

It is asked once for each source and printer, in place of a finding for each release, until a person decides, a ticket
says its copies, or a setting says what their absence means.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.charging.postings import NOT_RELEASED, Posted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.findings.evidence_codec import RELEASE_KEY
from pagereeve.domain.ledger import Finding, ReleaseKey, Verdict
from pagereeve.domain.values.codec import BIT, FIGURE, INSTANT, TEXT, Codec, Member, placed
from pagereeve.domain.values.records import dataclass

MEMBER: Final = "copies"
# Sources whose tickets are followed at one printer; those of any more are taken as they are.
SOURCES_MAX: Final = 20
NAMED_MAX: Final = 20


@dataclass(frozen=True, slots=True)
class SourceTickets:
    """Of one source at one printer: ``says``, a ticket has said its copies. Else ``held`` single releases counted a
    whole multiple of what they claimed, ``pages`` too many in all, the first since ``since_us``; some are named.
    """

    source: str
    says: bool = False
    held: int = 0
    pages: int = 0
    since_us: int = 0
    releases: tuple[ReleaseKey, ...] = ()


SOURCE_TICKETS: Final = Codec(
    SourceTickets,
    Member("source", TEXT),
    Member("says", BIT, default=False),
    Member("held", FIGURE, default=0),
    Member("pages", FIGURE, default=0, beside="held"),
    Member("since_us", INSTANT, "since", default=0, beside="held"),
    Member("releases", placed(RELEASE_KEY, NAMED_MAX), default=(), beside="held"),
)

Sources = tuple[SourceTickets, ...]


def after(sources: Sources, posted: Posted) -> Sources:
    """With one bracket more. A source that was heard of is not forgotten for another one."""
    known = {one.source: one for one in sources}
    for window in posted.windows:
        release = window.release
        source = release.key.source
        before = known.get(source)
        if before is None and len(known) >= SOURCES_MAX:
            continue
        if before is None or not before.says:
            known[source] = SourceTickets(source, says=True) if _says(release) else before or SourceTickets(source)
    if is_multiple(posted):
        release = posted.windows[0].release
        before = known.get(release.key.source)
        if before is not None and not before.says:
            known[before.source] = _with(before, release, posted)
    return tuple(known.values())


def _says(release: Release) -> bool:
    """Its ticket says its copies, if only that they are unknown; or a setting says what their absence means."""
    ticket, source = release.started.ticket, release.key.source
    if ticket.copies is not None or MEMBER in ticket.unknown or release.policy.copies == "in-pages":
        return True
    defaults = (one.ticket for one in release.policy.tickets if one.source in {"", source})
    return any(one.copies is not None or MEMBER in one.unknown for one in defaults)


def _with(before: SourceTickets, release: Release, posted: Posted) -> SourceTickets:
    expected = posted.stretch.expected
    beyond = 0 if expected is None else find.beyond(posted.stretch.counted, expected)
    return replace(
        before,
        held=before.held + 1,
        pages=before.pages + beyond,
        since_us=min(before.since_us, release.start_us) if before.held else release.start_us,
        releases=(*before.releases, release.key)[:NAMED_MAX],
    )


def is_multiple(posted: Posted) -> bool:
    """One release alone, whose ticket says no copies, counted twice or more what it claimed, to the page."""
    stretch = posted.stretch
    if stretch.verdict is not Verdict.SURPLUS or len(posted.windows) != 1 or stretch.expected is None:
        return False
    if not NOT_RELEASED.isdisjoint(stretch.reasons):
        return False
    least = stretch.expected.least
    exact = least > 0 and stretch.expected.most == least and stretch.counted % least == 0
    return exact and not _says(posted.windows[0].release)


def holds_back(sources: Sources, windows: Sequence[Window], decided: frozenset[str]) -> bool:
    """A surplus of these is no finding of its own, as long as nobody decided about its source's tickets."""
    known = {one.source: one for one in sources}
    for window in windows:
        release = window.release
        habit = known.get(release.key.source, SourceTickets(release.key.source))
        asked = finding_id(release.started.printer, release.key.source)
        if habit.says or _says(release) or asked in decided:
            return False
    return bool(windows)


def finding_id(printer: str, source: str) -> str:
    return find.finding_id("tickets-incomplete", printer, _anchor(source))


def _anchor(source: str) -> tuple[str, str]:
    return (source, MEMBER)


def findings_of(printer: str, sources: Sources) -> Iterator[Finding]:
    for one in sources:
        if one.held and not one.says:
            what = shown.tickets_incomplete(one.source, MEMBER, one.held)
            evidence = [*map(shown.release, one.releases[:3])]
            if one.held > len(evidence):
                evidence.append(shown.more(one.held - len(evidence)))
            anchor, named = _anchor(one.source), one.releases
            kind: find.Kind = "tickets-incomplete"
            yield find.make(kind, printer, anchor, one.since_us, what, evidence, pages=one.pages, releases=named)
