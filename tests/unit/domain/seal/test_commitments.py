"""Links, and personal members as salted commitments."""

from __future__ import annotations

import hashlib

import pytest

from pagereeve.domain.seal.chain import entry, fact_digest, first_link, next_link
from pagereeve.domain.seal.commitments import Openings, commitment, present, sealed_members

MEMBERS = {"fact": "event", "data": {"owner": "anise", "ticket": {"title": "Menu", "pages": 2}}, "id": "e-1"}
NAMES = ["data.owner", "data.ticket.title"]
SALTS = bytes(range(32))


def test_digests_are_of_the_bytes_that_the_documents_name() -> None:
    """As domain/seal/README.md says: each begins with its use and a line feed."""
    assert fact_digest(b"{}") == hashlib.sha256(b"pagereeve fact 1\n{}").digest()
    first = first_link("0123", "printer \u00e9")
    assert first == hashlib.sha256('pagereeve timeline 1\n["0123","printer \u00e9"]'.encode()).digest()
    assert next_link(first, b"d" * 32) == hashlib.sha256(b"pagereeve link 1\n" + first + b"d" * 32).digest()
    assert entry("0123", "", 7, b"\x01\x02") == b'pagereeve entry 1\n["0123","",7,"0102"]'
    assert commitment(SALTS[:16], "data.owner", "anise") == (
        hashlib.sha256(b"pagereeve member 1\n" + SALTS[:16] + b'["data.owner","anise"]').digest()
    )


def test_personal_members_enter_as_commitments_and_nothing_else_changes() -> None:
    openings = Openings.of_salts(SALTS)
    sealed = sealed_members(MEMBERS, NAMES, openings)
    owner, title = (commitment(SALTS[:16], NAMES[0], "anise"), commitment(SALTS[16:], NAMES[1], "Menu"))
    assert sealed == {
        "fact": "event",
        "data": {"owner": {"commitment": owner.hex()}, "ticket": {"title": {"commitment": title.hex()}, "pages": 2}},
        "id": "e-1",
    }
    assert MEMBERS["data"]["owner"] == "anise"  # type: ignore[index]


def test_an_erased_member_seals_as_before_whatever_stands_in_its_place() -> None:
    openings = Openings.of_salts(SALTS)
    before = sealed_members(MEMBERS, NAMES, openings)
    erased = openings.erased(0, NAMES[0], "anise")
    assert [erased.is_erased(place) for place in (0, 1)] == [True, False]
    assert SALTS[:16].hex() not in str(erased)
    again = Openings.parsed(str(erased))
    changed = {**MEMBERS, "data": {"owner": "erased-1", "ticket": {"title": "Menu", "pages": 2}}}
    assert sealed_members(changed, NAMES, again) == before
    other = {**MEMBERS, "data": {"owner": "erased-1", "ticket": {"title": "Bill", "pages": 2}}}
    assert sealed_members(other, NAMES, again) != before


def test_openings_of_other_members_are_refused() -> None:
    assert present(MEMBERS, [*NAMES, "data.badge", "id.deeper"]) == NAMES
    with pytest.raises(ValueError, match="1 openings of 2"):
        sealed_members(MEMBERS, NAMES, Openings.of_salts(SALTS[:16]))
    with pytest.raises(ValueError, match="a salt of 3 bytes"):
        sealed_members(MEMBERS, NAMES[:1], Openings.parsed("010203"))
    assert len(Openings.parsed("")) == 0
