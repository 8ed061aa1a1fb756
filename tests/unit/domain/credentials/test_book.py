"""Whose is a token, who signed a request, and what of those that are no longer valid."""

from __future__ import annotations

import pytest

from pagereeve.domain.credentials.book import CredentialBook, Failure, NotKnown
from pagereeve.domain.credentials.callers import ACTS, ANYBODY, Act, Caller
from pagereeve.domain.credentials.signatures import Signed
from tests.credentials import KEY, NOW_US, credential, token_of
from tests.unit.domain.credentials.test_signatures import BODY, signed


def failure_of(book: CredentialBook, token: str) -> tuple[Failure, str]:
    with pytest.raises(NotKnown) as raised:
        book.of_token(token.encode(), NOW_US)
    assert len(token) < 2 or token not in raised.value.problem
    return raised.value.failure, raised.value.name


def test_acts_are_what_was_given_and_none_implies_another() -> None:
    for act in ACTS:
        caller = Caller("c", frozenset({act}))
        assert [one for one in ACTS if caller.may(one)] == [act]
    assert Caller("c", frozenset(ACTS)).acts_text == "send note decide read names install administer forward"


def test_a_token_is_its_holders_alone() -> None:
    book = CredentialBook([credential("a", "send"), credential("b", "read")])
    assert book.of_token(token_of("a").encode(), NOW_US).name == "a"
    assert book.of_token(token_of("b").encode(), NOW_US).acts == {"read"}
    for wrong in ("", "x", token_of("c"), token_of("a") + "x", token_of("a")[:-1], token_of("a").upper()):
        assert failure_of(book, wrong) == ("unknown", "")


def test_what_is_expired_or_revoked_is_named_as_such() -> None:
    book = CredentialBook(
        [
            credential("old", "send", expires_us=NOW_US),
            credential("new", "send", expires_us=NOW_US + 1),
            credential("gone", "send", revoked_us=NOW_US - 5),
        ]
    )
    assert failure_of(book, token_of("old")) == ("expired", "old")
    assert failure_of(book, token_of("gone")) == ("revoked", "gone")
    assert book.of_token(token_of("new").encode(), NOW_US).name == "new"


def test_where_no_credential_was_ever_made_everybody_sends_and_notes_and_nobody_decides() -> None:
    empty = CredentialBook()
    assert empty.anybody() is ANYBODY
    assert empty.of_token(b"whatever", NOW_US) is ANYBODY
    assert empty.of_signed(Signed(b"", b"", b""), b"", NOW_US) is ANYBODY
    assert [act for act in ACTS if ANYBODY.may(act)] == ["send", "note"]


def test_that_the_last_credential_is_lost_opens_nothing() -> None:
    for lost in (credential("a", "send", revoked_us=1), credential("a", "send", expires_us=1)):
        with pytest.raises(NotKnown) as raised:
            CredentialBook([lost]).anybody()
        assert raised.value.failure == "missing"


def test_a_signers_secret_signs_for_it_among_others() -> None:
    book = CredentialBook([credential("other", "send", key=b"o" * 32), credential("a", "send", key=KEY)])
    assert book.of_signed(signed(), BODY.encode(), NOW_US).name == "a"
    assert book.signers == 2


@pytest.mark.parametrize(
    ("one", "body", "now_us", "failure"),
    [
        (signed(), BODY + " ", NOW_US, "bad-signature"),
        (signed(), BODY, NOW_US + 301_000_000, "stale"),
        (Signed(b"", b"", b""), BODY, NOW_US, "malformed"),
    ],
)
def test_what_nobody_signed_is_refused(one: Signed, body: str, now_us: int, failure: Failure) -> None:
    book = CredentialBook([credential("a", "send", key=KEY)])
    with pytest.raises(NotKnown) as raised:
        book.of_signed(one, body.encode(), now_us)
    assert raised.value.failure == failure


def test_neither_secrets_nor_signatures_are_in_what_is_shown_of_them() -> None:
    shown = repr(credential("a", "send", key=KEY)) + repr(signed())
    assert repr(KEY)[2:20] not in shown
    assert "v1," not in shown


@pytest.mark.parametrize(
    ("limits", "source", "kind", "may"),
    [
        ({}, "/any", "t", True),
        ({"sources": frozenset({"/s"})}, "/s", "t", True),
        ({"sources": frozenset({"/s"})}, "/S", "t", False),
        ({"types": frozenset({"t"})}, "/s", "t", True),
        ({"types": frozenset({"t"})}, "/s", "u", False),
    ],
)
def test_a_caller_speaks_for_its_sources_and_types(
    limits: dict[str, frozenset[str]], source: str, kind: str, may: bool
) -> None:
    act: Act = "send"
    caller = Caller("c", frozenset({act}), sources=limits.get("sources"), types=limits.get("types"))
    assert caller.may_send(act, source, kind) == may
    assert not caller.may_send("decide", source, kind)
