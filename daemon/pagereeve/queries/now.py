"""Is every page accounted for now, and what needs somebody? The day so far, of one moment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Finding
from pagereeve.ports.findings import FindingCount, FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.queries.meters import Fleet, Heard, fleet_of, heard_through
from pagereeve.queries.totals import accounts_read

WORK_SHOWN: Final = 10
OPEN_SHOWN: Final = 20
# House accounts whose pages nobody has explained until somebody explains the finding that stands beside them.
ASKED: Final = ("stray", "surplus", "unattributed")
# What stands there is negative: claimed, charged or confirmed, and not counted.
MISSING: Final = ("shortfall", "confirmed")


@dataclass(slots=True)
class Strip:
    """Where the counted pages of one unit went: ``counted`` + ``missing`` is people + known + waits + ``unbalanced``.

    known     house accounts' whose reason is known
    waits     surplus and stray pages that nobody has explained
    missing   charged or confirmed, and not counted
    unbalanced  what the rows can't account for: always 0, or something is wrong with the ledger itself
    in_flight   counted since the last cut of printers on which a release is under way; in no account yet
    in_flight_unknown  printers of those whose meter can't be compared with its last cut
    """

    unit: str
    counted: int = 0
    people: int = 0
    known: int = 0
    waits: int = 0
    missing: int = 0
    in_flight: int = 0
    in_flight_printers: int = 0
    in_flight_unknown: int = 0

    @property
    def unbalanced(self) -> int:
        return self.counted + self.missing - self.people - self.known - self.waits


@dataclass(frozen=True, slots=True)
class OpenNow:
    """A release under way, or one that no verdict was found for yet. ``unit``: what its meter counts; None where nobody
    has read it.
    """

    printer: str
    source: str
    release: str
    owner: str
    started_us: int
    released: int | None
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class Lane:
    """The way of a gateway: badge, notice, reading. ``down_us``: since when its own check fails."""

    gateway: str
    down_us: int | None
    heard: Heard
    printers: int
    silent: tuple[str, ...]
    never_read: int
    read_us: int | None

    @property
    def is_whole(self) -> bool:
        """All that is behind it is silent: it is the gateway, or its network, and no printer."""
        return self.printers > 1 and len(self.silent) == self.printers


@dataclass(frozen=True, slots=True)
class NowAnswer:
    """``work`` are open findings, the most pages first; ``open_findings`` counts all of them, by severity."""

    period: Period
    strips: tuple[Strip, ...]
    work: tuple[Finding, ...]
    open_findings: tuple[FindingCount, ...]
    open_releases: tuple[OpenNow, ...]
    newest_us: int | None
    lanes: tuple[Lane, ...] = ()

    @property
    def findings(self) -> int:
        return sum(one.findings for one in self.open_findings)


async def now_of(reads: Reads, today: Period, behind: Mapping[str, Sequence[str]] = MappingProxyType({})) -> NowAnswer:
    """All of it is read at one moment. ``behind``: the printers behind each gateway."""
    async with reads.snapshot() as held:
        lanes = _lanes(behind, await fleet_of(held), await heard_through(held, behind)) if behind else []
        accounts, _ = await accounts_read(held, today)
        found = await held.dearest_findings(FindingFilter(state="open"), WORK_SHOWN)
        waits = _unexplained(await held.count_findings(FindingFilter(from_us=today.from_us, to_us=today.to_us)))
        counts = await held.count_findings(FindingFilter(state="open"))
        under_way = await held.releases_page(ReleaseFilter(verdict="open"), OPEN_SHOWN)
        newest_us = await held.newest_us()
    return NowAnswer(
        period=today,
        strips=tuple(strips_of(accounts.lines, waits)),
        work=tuple(found.findings),
        open_findings=tuple(counts),
        open_releases=tuple(
            OpenNow(
                one.printer,
                one.release.source,
                one.release.release,
                one.owner,
                one.started_us,
                one.released,
                one.unit,
            )
            for one in under_way.charges
        ),
        newest_us=newest_us,
        lanes=tuple(lanes),
    )


def _lanes(behind: Mapping[str, Sequence[str]], fleet: Fleet, heard: Mapping[str, Heard]) -> list[Lane]:
    """What is wrong first: gateways that are down, then those with most silent printers."""
    lanes = []
    for gateway, printers in behind.items():
        states = {name: fleet.meter(name) for name in printers}
        read_us = [one.plateau.last_received_us for one in states.values() if one.plateau is not None]
        lanes.append(
            Lane(
                gateway,
                fleet.down.get(gateway),
                heard[gateway],
                len(printers),
                tuple(name for name, one in states.items() if one.standing == "silent"),
                sum(one.standing == "never-read" for one in states.values()),
                max(read_us, default=None),
            )
        )
    return sorted(lanes, key=lambda one: (one.down_us is None, -len(one.silent), one.gateway))


def _unexplained(counts: Iterable[FindingCount]) -> int:
    """Pages too many that nobody has explained."""
    return sum(one.too_many for one in counts if one.state == "open")


def strips_of(lines: Iterable[PrinterAccounts], unexplained: int) -> list[Strip]:
    """One for each unit: different ones are never added up. Parts of a billed channel are in it already.

    A finding and its account differ where the count was expected to lie between two figures: pages wait for a reason
    as long as an account has them and a finding is open.
    """
    strips: dict[str, Strip] = {}
    for line in lines:
        if line.channel in CLAIMED_CHANNELS:
            _add(strips.setdefault(line.unit, Strip(line.unit)), line)
    for one in strips.values():
        explained = max(0, one.waits - unexplained)
        unexplained = max(0, unexplained - one.waits)
        one.known += explained
        one.waits -= explained
    return sorted(strips.values(), key=lambda one: -one.counted)


def _add(strip: Strip, line: PrinterAccounts) -> None:
    received = dict(line.received)
    strip.counted += line.counted
    strip.people += line.people
    strip.missing -= sum(received.pop(account, 0) for account in MISSING)
    strip.waits += sum(received.pop(account, 0) for account in ASKED)
    strip.known += sum(pages for account, pages in received.items()) - line.people
    if line.releases_waiting:
        strip.in_flight_printers += 1
        strip.in_flight += line.pages_waiting or 0
        strip.in_flight_unknown += line.pages_waiting is None
