"""The kinds of value that settings are made of. All texts here are invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.ports.setting_types import Duration, HostPort, host_of


@pytest.mark.parametrize(
    ("written", "us"),
    [
        ("250ms", 250_000),
        ("2s", 2_000_000),
        ("5m", 300_000_000),
        ("1h", 3_600_000_000),
        ("1d", 86_400_000_000),
        ("1.5h", 5_400_000_000),
        (" 2 s ", 2_000_000),
        (2, 2_000_000),
        (0.25, 250_000),
        ("90", 90_000_000),
        (0, 0),
    ],
)
def test_a_duration_is_read_from_text_or_seconds(written: object, us: int) -> None:
    assert Duration.of(written).us == us


@pytest.mark.parametrize(
    "written", ["", "2 parsecs", "-1s", -1, True, None, float("nan"), float("inf"), "1e3s", "٣s", [], "1h30m", "1e400"]
)
def test_what_is_no_duration_is_refused_with_how_to_write_one(written: object) -> None:
    with pytest.raises(ValueError, match="write"):
        Duration.of(written)


def test_a_duration_beyond_ten_years_is_refused() -> None:
    with pytest.raises(ValueError, match="ten years"):
        Duration.of("4000d")


@given(st.integers(min_value=0, max_value=10**14))
def test_a_duration_is_shown_so_that_it_reads_back_the_same(us: int) -> None:
    assert Duration.of(str(Duration(us))) == Duration(us)


@pytest.mark.parametrize(
    ("written", "host", "port"),
    [
        ("127.0.0.1:8731", "127.0.0.1", 8731),
        ("[::1]:0", "::1", 0),
        ("gw.example:161", "gw.example", 161),
        ("localhost:65535", "localhost", 65535),
    ],
)
def test_an_address_is_read_and_shown_the_same(written: str, host: str, port: int) -> None:
    address = HostPort.of(written)
    assert (address.host, address.port) == (host, port)
    assert str(address) == written


@pytest.mark.parametrize(
    "written",
    ["", "host", "::1:80", "[::1]", "host:", "host:70000", "ho st:80", "http://host:80", ":80", "1.2.3:80", 80, "h:٣"],
)
def test_what_is_no_address_is_refused(written: object) -> None:
    with pytest.raises(ValueError, match=r"write|beyond"):
        HostPort.of(written)


@pytest.mark.parametrize("written", ["-a", "a/b", "a b", "192.0.2.300", "a:1", "[::1]", "", "a" * 254])
def test_what_is_no_host_is_refused(written: str) -> None:
    with pytest.raises(ValueError, match="no host"):
        host_of(written)
