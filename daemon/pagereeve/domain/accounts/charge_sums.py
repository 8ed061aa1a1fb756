"""Charges of a period added up by printer and by the login that stands in them, and persons' totals of these."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, TypeVar

from pagereeve.domain.accounts.totals import OPEN, Figure, Total, Totals
from pagereeve.domain.ledger import RowSegment

Key = TypeVar("Key")
Login = tuple[str, str, str, str]
"""As it was written, with channel, unit and verdict (OPEN: none yet): only what is alike in all is added up."""


class ChargeSum(NamedTuple):
    """What ``releases`` of one printer come to; ``first_us`` is the start of the first of them."""

    printer: str
    owner: str
    channel: str
    unit: str
    verdict: str
    releases: int
    first_us: int
    released: int
    released_times: int
    counted: int
    counted_times: int
    charged: int
    unproven: int

    @property
    def login(self) -> Login:
        return self[1:5]

    @property
    def figures(self) -> tuple[int, int, int, int, int, int, int, int]:
        return self[5:]


_FIGURE_COUNT: Final = 8
_FIRST: Final = 1


def charge_sums(segments: Iterable[RowSegment], from_us: int, to_us: int) -> list[ChargeSum]:
    """Of releases that started in [from_us, to_us)."""
    sums: dict[tuple[str, ...], list[int]] = {}
    for one in (charge for segment in segments for charge in segment.charges):
        if from_us <= one.started_us < to_us:
            unit = "" if one.unit is None else one.unit.value
            verdict = OPEN if one.verdict is None else one.verdict.value
            known = (1, one.started_us, *_known(one.released), *_known(one.counted), one.charged, one.unproven)
            _add(sums, (one.printer, one.owner, one.channel, unit, verdict), known)
    return [ChargeSum(*key[:5], *figures) for key, figures in sums.items()]  # type: ignore[arg-type]


def _known(pages: int | None) -> tuple[int, int]:
    return (0, 0) if pages is None else (pages, 1)


def _add(sums: dict[Key, list[int]], key: Key, more: Sequence[int]) -> None:
    known = sums.get(key)
    if known is None:
        sums[key] = list(more)
        return
    first_us = min(known[_FIRST], more[_FIRST])
    known[:] = [one + other for one, other in zip(known, more, strict=True)]
    known[_FIRST] = first_us


def totals_of_logins(sums: Iterable[tuple[Login, Sequence[int]]]) -> list[Total]:
    """Lines by person, each login its own person at any instant, as nobody is named here."""
    summed = Totals("person")
    for (owner, channel, unit, verdict), figures in sums:
        releases, first_us, released, released_times, counted, counted_times, charged, unproven = figures
        part = Total(
            owner,
            channel,
            unit,
            releases=releases,
            released=Figure(released, released_times, releases - released_times),
            counted=Figure(counted, counted_times, releases - counted_times),
            charged=charged,
            unproven=unproven,
        )
        part.verdicts[verdict] = releases
        part.write(owner, first_us)
        summed.merge(owner, part, 0)
    return summed.lines()


@dataclass(slots=True)
class LoginSums:
    """Of all printers together, where each printer's part can be taken out again and another be put in.

    Names stand here once, by number, and no longer than somebody has a release under them.
    """

    _of_printer: dict[str, array[int]] = field(default_factory=dict)
    _numbers: dict[Login, int] = field(default_factory=dict)
    _sums: dict[int, list[int]] = field(default_factory=dict)
    _next: int = 0
    _lines: list[Total] | None = None

    @property
    def rows(self) -> int:
        """Of printers and logins; memory is in proportion to them and to ``logins``."""
        return sum(len(one) for one in self._of_printer.values()) // (1 + _FIGURE_COUNT)

    @property
    def logins(self) -> int:
        return len(self._numbers)

    def replace(self, printers: Iterable[str], sums: Iterable[ChargeSum]) -> None:
        """``sums`` are all that these printers have now, or come to what others have."""
        gone: set[int] = set()
        for printer in printers:
            gone |= self._take_out(printer)
        for one in sums:
            number = self._number(one.login)
            figures = one.figures
            _add(self._sums, number, figures)
            self._of_printer.setdefault(one.printer, array("q")).extend((number, *figures))
        self._settle(gone)
        self._lines = None

    def lines(self) -> list[Total]:
        """As period_sums.charge_totals by person; to be read only."""
        if self._lines is None:
            self._lines = totals_of_logins((login, self._sums[number]) for login, number in self._numbers.items())
        return self._lines

    def _number(self, login: Login) -> int:
        number = self._numbers.get(login)
        if number is None:
            number = self._numbers[login] = self._next
            self._next += 1
        return number

    def _take_out(self, printer: str) -> set[int]:
        """Numbers whose first release may have gone with it."""
        part, firsts = self._of_printer.pop(printer, array("q")), set[int]()
        for place in range(0, len(part), 1 + _FIGURE_COUNT):
            number, *figures = part[place : place + 1 + _FIGURE_COUNT]
            known = self._sums[number]
            first_us = known[_FIRST]
            known[:] = [one - other for one, other in zip(known, figures, strict=True)]
            known[_FIRST] = first_us
            if figures[_FIRST] == first_us:
                firsts.add(number)
        return firsts

    def _settle(self, gone: set[int]) -> None:
        """Whoever has no release any more is forgotten; of others the first release is looked for anew."""
        idle = [(login, number) for login, number in self._numbers.items() if not self._sums[number][0]] if gone else []
        for login, number in idle:
            del self._numbers[login], self._sums[number]
            gone.discard(number)
        if not gone:
            return
        first_us: dict[int, int] = {}
        for part in self._of_printer.values():
            for number, at_us in zip(part[:: 1 + _FIGURE_COUNT], part[2 :: 1 + _FIGURE_COUNT], strict=True):
                if number in gone:
                    first_us[number] = min(at_us, first_us.get(number, at_us))
        for number, at_us in first_us.items():
            self._sums[number][_FIRST] = at_us
