"""What a statement consists of: plain values, which name nobody whom they need not name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.page_decision import PagesAct, PagesFrom, PagesReason
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.ports.seal import SealHead
from pagereeve.queries.as_closed import AsClosed

SubjectKind = Literal["person", "cost-centre", "printer"]


@dataclass(frozen=True, slots=True)
class Subject:
    """Whose statement: a person's login, however it is written, a cost centre's name ("": none), or a printer's."""

    kind: SubjectKind
    name: str


class Caution(StrEnum):
    """What whoever reads a statement must know before they conclude anything from it."""

    COUNT_IS_OF_A_PRINTER = "count-is-of-a-printer"
    SITES_BEHIND = "sites-behind"
    UNPROVEN = "unproven"
    SHARED = "shared"
    COPIES_NOT_APART = "copies-not-counted-apart"
    NOT_JUDGED = "not-judged"
    CLAIM_UNKNOWN = "claim-unknown"
    SEVERAL_SPELLINGS = "several-spellings"
    LATE_NOT_LOOKED_AT = "late-not-looked-at"
    UNPRICED = "unpriced"
    OVER_AN_EDGE = "over-an-edge"
    PRINTS_ALONE = "prints-alone"
    DOES_NOT_ADD_UP = "does-not-add-up"


@dataclass(frozen=True, slots=True)
class Standing:
    """What the ledger had of a release by then, in the channels that are billed."""

    verdict: str
    charged: int
    unproven: int


@dataclass(frozen=True, slots=True)
class Correction:
    """At ``at_us`` a notice came in, ``late_us`` after what it tells of, and changed what stood there."""

    at_us: int
    late_us: int
    before: Standing
    after: Standing


@dataclass(frozen=True, slots=True)
class Line:
    """One release: its charges in billed channels (``parts``: in the others).

    ``late``: a notice came late, and what it changed was not worked out.
    """

    charges: tuple[Charge, ...]
    parts: tuple[Charge, ...] = ()
    corrections: tuple[Correction, ...] = ()
    late: bool = False

    @property
    def first(self) -> Charge:
        return (self.charges or self.parts)[0]


@dataclass(frozen=True, slots=True)
class DecidedPages:
    """Pages that a decision charged to the statement's subject, and that are in the figures of none of its releases.

    They were another's claim, or stood in a house account (``taken_from``). ``at_us``: when that release started, or
    the gap closed. ``owner`` is "" of a cost centre's pages.
    """

    decision: str
    act: PagesAct
    reason: PagesReason
    taken_from: PagesFrom | Literal[""]
    at_us: int
    printer: str
    channel: str
    unit: str
    pages: int
    owner: str = ""

    @property
    def billed(self) -> bool:
        return self.channel in CLAIMED_CHANNELS


@dataclass(slots=True)
class GradeSum:
    """``grade`` is None where nothing was judged yet."""

    grade: Grade | None
    releases: int = 0
    charged: int = 0
    unproven: int = 0


@dataclass(frozen=True, slots=True)
class DayChart:
    """Pages of each local day (or month, where there are many days), in one billed channel and unit.

    ``spans``: name, charged, unproven; those on which nothing was released too.
    """

    channel: str
    unit: str
    by: Literal["day", "month"]
    spans: tuple[tuple[str, int, int], ...]


@dataclass(frozen=True, slots=True)
class StatementAdjustment:
    """Pages of an earlier closed period that an account gets now (below 0: gives back); of a meter, below 0, what it
    gives more. ``person`` is "" where nobody is to be named, ``release`` where it is of none.
    """

    corrects: str
    account: str
    person: str
    printer: str
    channel: str
    unit: str
    source: str
    release: str
    pages: int


@dataclass(frozen=True, slots=True)
class Statement:
    """``lines`` in order of start. ``also_written``: other spellings of a person's login. ``bill`` is None where the
    site has no prices, ``accounts`` where it is no printer's statement. ``named``: owners are in the lines.
    ``sums`` are of the lines and of ``decided``; ``adjustments`` are of earlier closed periods, and in no sum.
    """

    subject: Subject
    period: Period
    lines: Sequence[Line]
    sums: Sequence[Total]
    grades: Sequence[GradeSum]
    charts: Sequence[DayChart]
    cautions: Sequence[Caution]
    seal: SealHead | None = None
    also_written: tuple[str, ...] = ()
    bill: Bill | None = None
    accounts: AccountsOfPeriod | None = None
    named: bool = False
    decided: Sequence[DecidedPages] = ()
    as_closed: AsClosed | None = None
    adjustments: tuple[StatementAdjustment, ...] = ()

    @property
    def corrected(self) -> int:
        """Releases of which a late notice changed something."""
        return sum(bool(line.corrections) for line in self.lines)

    @property
    def conserved(self) -> bool:
        return self.accounts is None or all(line.conserved for line in self.accounts.lines)
