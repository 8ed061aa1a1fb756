"""What the projection of a printer consists of: stretches, charges, postings, findings. Plain rows, rebuilt at will."""

from __future__ import annotations

from enum import StrEnum
from typing import Final, Literal

from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.values.records import dataclass

Severity = Literal["info", "warning", "critical"]
SEVERITIES: Final[tuple[Severity, ...]] = ("critical", "warning", "info")
"""The worst first."""

FindingState = Literal["open", "explained", "closed"]

_HOUSE: Final = "house:"
_METER: Final = "meter:"
_CENTRE: Final = "cost-centre:"
_PERSON: Final = "person:"

STRAY = "house:stray"
SURPLUS = "house:surplus"
SHORTFALL = "house:shortfall"
MAINTENANCE = "house:maintenance"
UNATTRIBUTED = "house:unattributed"
OTHER_FUNCTION = "house:other-function"
CONFIRMED = "house:confirmed"
"""Gives what a person confirmed that no count supports, so it is below 0. Decisions alone post to it."""

PEOPLE: Final = "people"
METER: Final = "meter"
HOUSE_ACCOUNTS: Final = (STRAY, SURPLUS, SHORTFALL, MAINTENANCE, UNATTRIBUTED, OTHER_FUNCTION, CONFIRMED)
HOUSE_KINDS: Final = tuple(account.removeprefix(_HOUSE) for account in HOUSE_ACCOUNTS)
ACCOUNT_KINDS: Final = (PEOPLE, *HOUSE_KINDS)
"""Who receives pages: people, and each of the house accounts."""
PROJECTED_KINDS: Final = tuple(kind for kind in ACCOUNT_KINDS if kind != CONFIRMED.removeprefix(_HOUSE))
"""Those to which the projection posts."""

PageKey = tuple[str, str]
"""(channel, account kind): a kind is one of ACCOUNT_KINDS."""


def person(owner: str) -> str:
    return f"{_PERSON}{owner}"


def meter_account(printer: str) -> str:
    """The account that gives what the printer's meter counted."""
    return f"{_METER}{printer}"


def house(kind: str) -> str:
    return f"{_HOUSE}{kind}"


def cost_centre(name: str) -> str:
    """The account of pages that a person gave to a cost centre, and to nobody in it."""
    return f"{_CENTRE}{name}"


def cost_centre_of(account: str) -> str | None:
    """The cost centre's name; None of another account."""
    return account.removeprefix(_CENTRE) if account.startswith(_CENTRE) else None


def owner_of(account: str) -> str:
    """The person's name, of a person's account."""
    return account.removeprefix(person(""))


def is_house(account: str) -> bool:
    return account.startswith(_HOUSE)


def is_person(account: str) -> bool:
    return account.startswith(_PERSON)


def is_meter(account: str) -> bool:
    return account.startswith(_METER)


def account_kind(account: str) -> str:
    """METER, PEOPLE, or the house account's own name."""
    if is_house(account):
        return account.removeprefix(_HOUSE)
    return METER if is_meter(account) else PEOPLE


class Grade(StrEnum):
    """How good a bracket's evidence is, best first."""

    TIGHT = "tight"
    INFERRED = "inferred"
    MATCHED = "matched"
    SHARED = "shared"
    WIDE = "wide"
    BROKEN = "broken"
    BLIND = "blind"


class Verdict(StrEnum):
    AGREES = "agrees"
    SURPLUS = "surplus"
    SHORTFALL = "shortfall"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True, order=True)
class ReleaseKey:
    """A release is unique for its source."""

    source: str
    release: str


@dataclass(frozen=True, slots=True)
class Interval:
    """An expected count: ``least`` to ``most`` inclusive; ``most`` is None where nothing bounds it."""

    least: int
    most: int | None

    def holds(self, figure: int) -> bool:
        return self.least <= figure and (self.most is None or figure <= self.most)


@dataclass(frozen=True, slots=True)
class Stretch:
    """The stretch of one channel between two neighbouring cuts: a bracket with releases in it, else a gap.

    The opening cut held up to ``opens_us``, the closing one from ``closes_us``. ``counted`` is after - before, or what
    the two runs surely counted where a run ended inside (``broken``; before and after are then of the two runs).
    """

    printer: str
    run: int
    channel: str
    unit: Unit
    opens_us: int
    closes_us: int
    before: int | None
    after: int | None
    counted: int
    releases: tuple[ReleaseKey, ...] = ()
    grade: Grade | None = None
    verdict: Verdict | None = None
    expected: Interval | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Charge:
    """One release in one channel: what was released (the claim), counted (the meter), charged (the decision).

    ``unproven`` is the part of the claim that no count supports, kept apart so that it can be waived. ``released`` is
    None where the claim says no number, ``counted`` where nothing proves one. ``closed_us`` is None while the release's
    bracket is still open.
    """

    printer: str
    release: ReleaseKey
    owner: str
    job: str
    channel: str
    unit: Unit | None
    started_us: int
    ended_us: int | None
    closed_us: int | None
    released: int | None
    counted: int | None
    charged: int
    unproven: int
    expected: Interval | None
    grade: Grade | None
    verdict: Verdict | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Posting:
    """One balanced entry for one closed stretch: the meter gives, the accounts receive, the legs sum to zero."""

    printer: str
    run: int
    channel: str
    opens_us: int
    closes_us: int
    legs: tuple[tuple[str, int], ...]


class EvidenceKind(StrEnum):
    """What a piece of evidence states. findings.evidence makes each kind, findings.wording has the words of each."""

    # What a finding says in one sentence.
    COUNT_DIFFERS = "count-differs"
    COUNT_PASSED = "count-passed"
    COLOUR_UNDER_MONO = "colour-under-mono"
    NO_COUNT = "no-count"
    GAP_COUNTED = "gap-counted"
    RUN_ENDED = "run-ended"
    READS_FAIL = "reads-fail"
    READS_FAILED = "reads-failed"
    EVENT_DIFFERS = "event-differs"
    NOT_REGISTERED = "not-registered"
    WINDOWS_WAIT = "windows-wait"
    WINDOWS_WAITED = "windows-waited"
    RESTARTED = "restarted"
    STARTED_AGAIN = "started-again"
    NO_END = "no-end"
    NO_BADGE = "no-badge"
    CLOCK_OFF = "clock-off"
    TICKETS_INCOMPLETE = "tickets-incomplete"
    BIAS = "bias"
    STANDS_STILL = "stands-still"
    STATE_NOT_BELIEVED = "state-not-believed"
    UNIT_ASSUMED = "unit-is-assumed"
    UNIT_CONTRADICTED = "unit-is-contradicted"
    JOBS_DISAGREE = "jobs-disagree"
    JOB_WITHOUT_RELEASE = "job-without-release"
    PATTERN = "pattern"
    WITNESSES_DISAGREE = "witnesses-disagree"
    NO_OWNER = "no-owner"
    FLOODED = "flooded"
    TWO_PLACES = "two-places"
    WRITTEN_OTHERWISE = "written-otherwise"
    NOISY = "noisy"
    NOTHING_CAME = "nothing-came"
    OTHER_OWNER = "other-owner"
    ELSEWHERE = "elsewhere"
    FACTS_LOST = "facts-lost"
    FACT_DAMAGED = "fact-damaged"
    CLOCK_STEPPED = "clock-stepped"
    CLOCK_NOT_AGREED = "clock-not-agreed"
    RECEIVER_GONE = "receiver-gone"
    GATEWAY_DOWN = "gateway-down"
    SITE_BEHIND = "site-behind"
    OLDER = "older"
    """The sentence of a finding that was made before evidence was typed, until its printer is projected again."""

    # What shows it.
    CUTS = "cuts"
    COUNTED_SO_FAR = "counted-so-far"
    RELEASE = "release"
    FIRST = "first"
    LAST = "last"
    PERHAPS_MISSED = "perhaps-missed"
    PERHAPS_AGAIN = "perhaps-again"
    PERHAPS_AT = "perhaps-at"
    RELEASE_COUNTED = "release-counted"
    AS_EXPECTED = "as-expected"
    REASON = "reason"
    READING = "reading"
    COUNTER_CHOSEN = "counter-chosen"
    JOB_TOLD = "job-told"
    SILENCE = "silence"
    EVENT = "event"
    EVENT_TYPE = "event-type"
    DIGEST = "digest"
    PRESENTED = "presented"
    ANSWERED = "answered"
    MORE = "more"

    # What names a person, or is a sender's own words.
    JOB = "job"
    OWNERS = "owners"
    STYLE = "style"
    PERHAPS_READ = "perhaps-read"
    NOTED = "noted"
    DECIDED = "decided"


Value = int | str | tuple[str, ...] | tuple[tuple[str, int], ...]
"""A value of a piece of evidence; the name of an instant, in microseconds since 1970, ends in ``_us``."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that a finding states, as values; people read it in words that are made for them, in their zone.

    ``values`` are in order of their names, without what is unknown. ``personal``: it names a person or is a sender's
    own words (queue, job, note), so that no message may hold it. That is decided where evidence is made.
    """

    kind: EvidenceKind
    values: tuple[tuple[str, Value], ...] = ()
    release: ReleaseKey | None = None
    personal: bool = False

    def value(self, name: str) -> Value | None:
        return next((value for known, value in self.values if known == name), None)


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should look at. ``id`` is the same at every projection of the same facts.

    ``what`` states it, and is never personal; ``evidence`` shows it, as much as there is room for; ``releases`` are all
    that it is about, in order. ``pages`` is how many it is about, where it is about pages; ``reason`` is what a person
    said it came of; ``place`` names the gateway, reader or source of one that is not about a printer's meter
    (``printer`` is then "").
    """

    id: str
    kind: str
    severity: Severity
    printer: str
    since_us: int
    until_us: int | None
    state: FindingState
    what: Evidence
    evidence: tuple[Evidence, ...] = ()
    pages: int | None = None
    reason: str = ""
    place: str = ""
    releases: tuple[ReleaseKey, ...] = ()


@dataclass(frozen=True, slots=True)
class RowSegment:
    """Everything that the facts between two points of rest of one printer lead to.

    ``anchor_us`` orders a printer's segments; a late fact drops the segments from some anchor on and projects them
    again.
    ``resume_point`` is the JSON of what the next segment starts from (None in a segment that is still open).
    """

    printer: str
    anchor_us: int
    resume_point: dict[str, object] | None
    stretches: tuple[Stretch, ...] = ()
    charges: tuple[Charge, ...] = ()
    postings: tuple[Posting, ...] = ()
    findings: tuple[Finding, ...] = ()
