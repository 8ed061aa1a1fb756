"""What stands in an account for one release, and what a later fact or decision makes of it."""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.domain.ledger import cost_centre_of, is_house, is_meter, owner_of


@dataclass(frozen=True, slots=True, order=True)
class EntryKey:
    """An account's pages of one printer, channel and unit; for people of one release, else that is ("", "")."""

    printer: str
    channel: str
    unit: str
    account: str
    source: str = ""
    release: str = ""

    @property
    def owner(self) -> str:
        """The person whose account it is; "" of others."""
        account = self.account
        others = is_meter(account) or is_house(account) or cost_centre_of(account) is not None
        return "" if others else owner_of(account)


@dataclass(frozen=True, slots=True, order=True)
class Adjustment:
    """``was`` stands in the closed period, ``now`` would stand there if it were open. Of a meter both are below 0: it
    gives what the accounts receive. ``at_us``: when the release started; 0 where it is of none.
    """

    key: EntryKey
    was: int
    now: int
    at_us: int = 0

    @property
    def pages(self) -> int:
        return self.now - self.was


@dataclass(frozen=True, slots=True)
class Correction:
    """An adjustment with the closed period that it corrects, and the cost centre that the person had then."""

    corrects: str
    adjustment: Adjustment
    cost_centre: str = ""

    @property
    def pages(self) -> int:
        return self.adjustment.pages

    @property
    def is_of_meter(self) -> bool:
        """By how much the meter counted otherwise: below 0, more; what accounts get otherwise adds up to the same."""
        return is_meter(self.adjustment.key.account)
