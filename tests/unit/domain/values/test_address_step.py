"""A name is one step of an address, and the address is read back as the same name."""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.values.address_step import name_of_step, one_step

# url.spec.whatwg.org, "single-dot URL path segment" and "double-dot URL path segment".
GONE: Final = re.compile(r"(\.|%2e){1,2}", re.IGNORECASE)
NAMES: Final = st.one_of(st.text(min_size=1), st.text("./", min_size=1, max_size=6))


@given(NAMES)
def test_it_is_one_step_which_a_browser_leaves_and_comes_back(name: str) -> None:
    step = one_step(name)
    assert "/" not in step
    assert not GONE.fullmatch(step)
    assert name_of_step(unquote(step, errors="surrogatepass")) == name


@given(NAMES, NAMES)
def test_no_two_names_have_one_address(one: str, other: str) -> None:
    assert (one_step(one) == one_step(other)) is (one == other)


@pytest.mark.parametrize(
    ("name", "step"),
    [
        (".", ".%2F"),
        ("..", "..%2F"),
        ("./", ".%2F%2F"),
        ("...", "..."),
        ("/.", "%2F."),
        ("a/b", "a%2Fb"),
        ("é", "%C3%A9"),
    ],
)
def test_as_it_stands_in_an_address(name: str, step: str) -> None:
    assert one_step(name) == step
