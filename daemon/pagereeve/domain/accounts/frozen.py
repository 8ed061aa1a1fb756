"""The rows that a close freezes: all that any export of the period is made from, each as a value.

Lines, houses and charges are as counts have them; decisions stand beside them, and are added where rows are summed.
Adjustments are of earlier closed periods, and of no account line of this one.
"""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.frozen_answers import FrozenAnswer
from pagereeve.domain.accounts.printer_accounts import EdgeStretch, PrinterAccounts
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.ledger import Charge


@dataclass(frozen=True, slots=True)
class FrozenHead:
    """The last fact of a timeline that the close saw; ``printer`` "" is the site."""

    printer: str
    seq: int


@dataclass(frozen=True, slots=True)
class FrozenAdjustment:
    """What this close takes over: late facts and decisions changed an earlier closed period."""

    correction: Correction


@dataclass(frozen=True, slots=True)
class FrozenLine:
    accounts: PrinterAccounts


@dataclass(frozen=True, slots=True)
class FrozenEdge:
    edge: EdgeStretch


@dataclass(frozen=True, slots=True)
class FrozenHouse:
    """What a house account received on one local day: the sums by day come from these, all others from the lines."""

    day: str
    printer: str
    channel: str
    unit: str
    account: str
    pages: int


@dataclass(frozen=True, slots=True)
class FrozenSaid:
    """What was said of a person when the period was closed: later lists and merges change no closed export."""

    fact: Fact


@dataclass(frozen=True, slots=True)
class FrozenCharge:
    """With the cost centre and the local day that it had when the period was closed."""

    charge: Charge
    cost_centre: str
    day: str


@dataclass(frozen=True, slots=True)
class FrozenDecision:
    """What a decision posts beside the rows above, with the local day to which its pages belong."""

    posting: DecisionPosting
    day: str


FrozenRow = (
    FrozenAnswer
    | FrozenHead
    | FrozenAdjustment
    | FrozenLine
    | FrozenEdge
    | FrozenHouse
    | FrozenSaid
    | FrozenDecision
    | FrozenCharge
)
"""Frozen in this order."""
