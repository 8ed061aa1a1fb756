"""Receivers that want nothing more: nothing is sent to them until their settings are others, or a person says so.

That one retired is a fact, and a finding that stands until it is sent to again. A person decides by explaining or
closing the finding. After a restart, the open findings say who is retired.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.badges.checks import retirement_of
from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Fact, Origin, ReceiverChange, ReceiverChanged
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import Receipt
from pagereeve.ports.ledger import FindingLookup

KIND: Final = "receiver-retired"


class RetirementStore(FindingLookup, Protocol):
    """What is asked of the store."""

    async def append(self, fact: Fact) -> Receipt: ...


@dataclass(slots=True)
class _Retired:
    """``finding`` is its id; ``target`` a digest of its settings; ``unstored`` the fact that must still be stored."""

    finding: str
    target: str
    unstored: ReceiverChanged | None = None


@dataclass(slots=True)
class Retirements:
    """``accept`` hears of each fact, once it is durable. ``targets``: a digest of each receiver's settings, by name."""

    store: RetirementStore
    clock: Clock
    targets: Mapping[str, str]
    accept: Callable[[Fact], None] = lambda _: None
    _retired: dict[str, _Retired] = field(default_factory=dict)

    async def open(self) -> None:
        """What is known from before. Raises JournalUnavailable."""
        self.forget()
        for finding in await self.store.findings(only_open=True):
            if finding.kind != KIND:
                continue
            name, target = (str(finding.what.value(one) or "") for one in ("receiver", "target"))
            self._retired[name] = _Retired(finding.id, target)
        await self.change(self.targets)

    def forget(self) -> None:
        """Another worker sees to them now."""
        self._retired.clear()

    async def change(self, targets: Mapping[str, str]) -> None:
        """These are the settings now: whose are others, or who is gone from them, is retired no more."""
        self.targets = targets
        for name, one in list(self._retired.items()):
            if targets.get(name) != one.target:
                await self._resume(name)

    async def retire(self, name: str) -> None:
        """From now on, durably on return. Raises JournalUnavailable: it is retired, and that is stored later."""
        fact = self._fact(name, "retired", self.targets.get(name, ""))
        self._retired[name] = _Retired(retirement_of(fact).finding().id, fact.target, fact)
        await self._store_due(name)

    async def is_retired(self, name: str) -> bool:
        """Raises JournalUnavailable."""
        one = self._retired.get(name)
        if one is None:
            return False
        await self._store_due(name)
        finding = await self.store.finding(one.finding)
        # Until it is projected there is none.
        if finding is None or finding.state == "open":
            return True
        await self._resume(name)
        return False

    async def _store_due(self, name: str) -> None:
        one = self._retired[name]
        if one.unstored is not None:
            await self.store.append(one.unstored)
            self.accept(one.unstored)
            one.unstored = None

    async def _resume(self, name: str) -> None:
        fact = self._fact(name, "resumed", self.targets.get(name, ""))
        await self.store.append(fact)
        self.accept(fact)
        del self._retired[name]

    def _fact(self, name: str, change: ReceiverChange, target: str) -> ReceiverChanged:
        at_us = self.clock.now_us()
        origin = Origin(JOURNAL_SOURCE, f"receiver-{change}-{at_us:017d}-{name}", at_us, at_us)
        return ReceiverChanged(origin, name, change, target)
