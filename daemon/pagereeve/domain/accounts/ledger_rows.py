"""Rows of the plain-text ledger: a posting beside what is said of the stretch that it was made of."""

from __future__ import annotations

from typing import NamedTuple

from pagereeve.domain.ledger import Posting, Stretch


class LedgerRow(NamedTuple):
    """One of very many: a tuple is made in a fraction of the time that two objects take.

    The first five are what domain.accounts.membership.place_of says. ``at_us`` dates the row. ``unit`` is None where no
    stretch is known, and then nothing is said behind it; ``releases`` are (source, release).
    """

    printer: str
    run: int
    channel: str
    opens_us: int
    closes_us: int
    legs: tuple[tuple[str, int], ...]
    at_us: int
    unit: str | None = None
    releases: tuple[tuple[str, str], ...] = ()
    grade: str | None = None
    verdict: str | None = None
    reasons: tuple[str, ...] = ()

    @property
    def posting(self) -> Posting:
        return Posting(self.printer, self.run, self.channel, self.opens_us, self.closes_us, self.legs)


def ledger_row(posting: Posting, stretch: Stretch | None, at_us: int | None = None) -> LedgerRow:
    """Dated by its closing where no instant is given."""
    place = (posting.printer, posting.run, posting.channel, posting.opens_us, posting.closes_us)
    dated_us = posting.closes_us if at_us is None else at_us
    if stretch is None:
        return LedgerRow(*place, posting.legs, dated_us)
    releases = tuple((key.source, key.release) for key in stretch.releases)
    said = (stretch.unit.value, releases, _text(stretch.grade), _text(stretch.verdict), stretch.reasons)
    return LedgerRow(*place, posting.legs, dated_us, *said)


def _text(word: str | None) -> str | None:
    return None if word is None else str(word)
