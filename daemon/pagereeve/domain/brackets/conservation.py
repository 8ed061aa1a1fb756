"""The law, checked from outside: last cut - first reading = the sum over accounts (domain/README.md, promise 2).

Found by trying every reading against every window, without the partition that the ledger is made with: a mistake there
shows here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from pagereeve.domain.brackets.runs import Run, runs_of
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.ledger import Posting, is_meter
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Conserved:
    """One printer, channel and run of it. ``first`` is the run's first reading, ``last`` its last cut, wraps counted on
    (and what the channel's runs before it counted, where it broke alone).

    ``accounted`` is what all accounts received; ``balanced`` says that each posting's legs sum to zero.
    """

    printer: str
    run: int
    channel: str
    first: int
    last: int
    accounted: int
    balanced: bool

    @property
    def ok(self) -> bool:
        return self.balanced and self.last - self.first == self.accounted


@dataclass(frozen=True, slots=True)
class _Level:
    """The count was ``total`` for all of [from_us, to_us]."""

    total: int
    from_us: int
    to_us: int


def conserved(
    printer: str, runs: Sequence[Run], windows: Sequence[Window], postings: Iterable[Posting]
) -> list[Conserved]:
    """Every run and channel of one printer's whole history, in order; also runs that only a posting names."""
    received: dict[tuple[int, str], int] = defaultdict(int)
    unbalanced: set[tuple[int, str]] = set()
    for posting in postings:
        key = (posting.run, posting.channel)
        received[key] += sum(pages for account, pages in posting.legs if not is_meter(account))
        if sum(pages for _, pages in posting.legs) != 0:
            unbalanced.add(key)
    lines: list[Conserved] = []
    for channel in sorted({channel for run in runs for channel in run.channels()}):
        ended = False
        for run in reversed(runs_of(channel, runs)):
            levels = _levels(run, channel)
            cut = next((level for level in reversed(levels) if _is_cut(level, windows)), None)
            if levels:
                last = levels[-1] if ended else cut or levels[0]
                key = (run.number, channel)
                balanced = key not in unbalanced
                accounted = received.pop(key, 0)
                first = levels[0].total
                lines.append(Conserved(printer, run.number, channel, first, last.total, accounted, balanced))
            ended = ended or cut is not None or _left(run, levels[0].from_us if levels else None, windows)
    for (number, channel), pages in received.items():
        lines.append(Conserved(printer, number, channel, 0, 0, pages, (number, channel) not in unbalanced))
    return sorted(lines, key=lambda line: (line.channel, line.run))


def _levels(run: Run, channel: str) -> list[_Level]:
    levels: list[_Level] = []
    for sample in run.samples:
        total = sample.total(channel)
        if total is None:
            continue
        again = bool(levels) and levels[-1].total == total
        from_us = levels[-1].from_us if again else sample.plateau.first_received_us
        here = _Level(total, from_us, max(from_us, sample.plateau.last_sent_us))
        levels[-1 if again else len(levels) :] = [here]
    return levels


def _left(run: Run, first_us: int | None, windows: Sequence[Window]) -> bool:
    """A run that began without a channel ends what was under way in it, by a cut of any other before its first."""
    cuts_us = [at_us for name in run.channels() for level in _levels(run, name) for at_us in _cuts_us(level, windows)]
    return bool(cuts_us) and (first_us is None or min(cuts_us) < first_us)


def _is_cut(level: _Level, windows: Sequence[Window]) -> bool:
    return bool(_cuts_us(level, windows))


def _cuts_us(level: _Level, windows: Sequence[Window]) -> list[int]:
    """Instants of the level in no window. If there are any, one of its ends or a window's edge is the first."""
    near = [one for one in windows if one.opens_us < level.to_us]
    near = [one for one in near if one.closes_us is None or one.closes_us > level.from_us]
    edges = [edge for one in near for edge in (one.opens_us, one.closes_us) if edge is not None]
    instants = [level.from_us, level.to_us, *(edge for edge in edges if level.from_us <= edge <= level.to_us)]
    return [at_us for at_us in instants if not any(_inside(at_us, one) for one in near)]


def _inside(at_us: int, window: Window) -> bool:
    return window.opens_us < at_us and (window.closes_us is None or at_us < window.closes_us)
