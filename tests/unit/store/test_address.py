"""Where a journal's database is: one host, or several of which one takes writes (libpq's form)."""

from __future__ import annotations

import pytest

from pagereeve.store.postgres.address import Address


def test_several_hosts_are_read_as_libpq_reads_them() -> None:
    address = Address.of("postgresql://pagereeve@db1:5433,db2,[::1]:5435/pages?target_session_attrs=read-write")
    assert address.places == (("db1", 5433), ("db2", 5432), ("::1", 5435))
    assert (address.user, address.database) == ("pagereeve", "pages")
    assert str(address) == "postgresql://db1:5433,db2:5432,[::1]:5435/pages"
    assert Address.of("postgresql://pagereeve@db1,db2/pages").places == (("db1", 5432), ("db2", 5432))
    assert Address.of("postgresql://db1/pages?target_session_attrs=primary").places == (("db1", 5432),)


@pytest.mark.parametrize(
    ("url", "problem"),
    [
        ("postgresql://u@db1,/pages", "HOST:5432,HOST:5432"),
        ("postgresql://u@db1,db2:x/pages", "HOST:5432,HOST:5432"),
        ("postgresql://u@" + ",".join(f"db{nth}" for nth in range(9)) + "/pages", "9 hosts are named; 8 at most"),
        ("postgresql://u@db1,db2/pages?target_session_attrs=any", "must be read-write"),
        ("postgresql://u@db1,db2", "the database's name is missing"),
    ],
)
def test_what_is_no_list_of_hosts_is_said(url: str, problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        Address.of(url)


def test_a_comma_after_the_hosts_is_no_second_host() -> None:
    assert Address.of("postgresql://u@db1/pages?sslmode=verify-full&sslrootcert=/etc/a,b.pem").others == ()
    assert Address.of("postgresql:///pages?host=/run/a,b").host == "/run/a,b"
