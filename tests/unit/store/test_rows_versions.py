"""How often a printer's rows were replaced, as the process knows that alone writes them."""

from __future__ import annotations

import pytest

from pagereeve.ports.ledger import StaleRows
from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.rows_versions import RowsVersions


def test_each_replacement_follows_the_one_before_it() -> None:
    versions = RowsVersions()
    versions.follow([Replacement("p", None, after=0), Replacement("q", None, after=0)])
    assert versions.now("p") == 0, "nothing is stored yet"
    versions.follow([Replacement("p", None, after=1)])
    versions.stored()
    assert (versions.now("p"), versions.now("q"), versions.now("r")) == (2, 1, 0)
    versions.follow([Replacement("p", None)])
    versions.stored()
    with pytest.raises(StaleRows, match="rows of p were replaced"):
        versions.follow([Replacement("q", None, after=1), Replacement("p", None, after=2)])
    versions.forget()
    assert (versions.now("p"), versions.now("q")) == (3, 1)


def test_a_version_that_was_forgotten_is_never_given_again() -> None:
    versions = RowsVersions(known_max=2)
    for printer in ("p", "p", "p", "q"):
        versions.follow([Replacement(printer, None)])
        versions.stored()
    versions.follow([Replacement("r", None)])
    versions.stored()
    assert versions.now("p") == 4
    with pytest.raises(StaleRows):
        versions.follow([Replacement("p", None, after=3)])
