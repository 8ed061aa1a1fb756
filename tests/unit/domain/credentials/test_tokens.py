"""What a bearer token looks like, and what is kept of it."""

from __future__ import annotations

import re

import pytest

from pagereeve.domain.credentials.tokens import SECRET_BYTES, TOKEN_MIN, digest_of, token_of, token_trouble


def test_a_token_holds_all_of_its_chance_and_fits_into_a_header() -> None:
    """RFC 6750 section 2.1: b64token."""
    tokens = {token_of(bytes([number]) * SECRET_BYTES) for number in range(256)}
    assert len(tokens) == 256
    for token in tokens:
        assert re.fullmatch(r"pagereeve-[A-Za-z0-9._~+/-]+", token)
        assert token_trouble(token) == ""
    assert len({len(token) for token in tokens}) == 1


def test_the_digest_is_the_published_one() -> None:
    """FIPS 180-4, SHA-256 of "abc" (NIST's example values)."""
    assert digest_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("token", "told"),
    [
        ("", "is empty"),
        (" ", "holds a blank"),
        ("x" * TOKEN_MIN + " ", "holds a blank"),
        ("x" * TOKEN_MIN + "\t", "holds a blank"),
        ("x" * TOKEN_MIN + "\x7f", "holds a blank"),
        ("x" * TOKEN_MIN + "é", "holds a blank"),
        ("x" * TOKEN_MIN + "\u00a0", "holds a blank"),
        ("x" * (TOKEN_MIN - 1), "is shorter than 22 characters (128 bits)"),
        ("x" * TOKEN_MIN, ""),
        ("!~" * TOKEN_MIN, ""),
    ],
)
def test_what_can_not_be_shown_or_could_be_guessed_is_named_and_not_repeated(token: str, told: str) -> None:
    trouble = token_trouble(token)
    assert trouble.startswith(told)
    assert bool(trouble) == bool(told)
    assert "xx" not in trouble
