"""IPP over HTTPS: CUPS' own simulated printer as the peer, and servers with certificates of every kind."""

from __future__ import annotations

import asyncio
import hashlib
import ipaddress
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from cryptography import x509

from pagereeve.meters.ipp.witness import IppWitness
from pagereeve.ports.meter import IppTls, MeterTarget
from tests.integration.certificates import Authority, Certificate
from tests.integration.ipp_peers import EMPTY, a_witness, eve_printer, server

AT_LOOPBACK = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))


def fingerprint_of(certificate: Certificate) -> str:
    return hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate.certificate.read_text())).hexdigest()


def at(port: int, tls: IppTls | None, host: str = "127.0.0.1") -> MeterTarget:
    return MeterTarget("p", host, ipp_port=port, ipp_tls=tls)


@asynccontextmanager
async def looking(certificate: Certificate | None) -> AsyncIterator[tuple[IppWitness, int, list[str]]]:
    notes: list[str] = []
    context = None if certificate is None else certificate.server()
    async with server(lambda _: (200, EMPTY), context) as port, a_witness(notes) as witness:
        yield witness, port, notes


async def test_cups_own_printer_is_asked_over_tls_with_its_certificate_pinned_or_not(tmp_path: Path) -> None:
    with eve_printer(tmp_path) as port:
        async with a_witness() as witness:
            assert await witness.look(at(port, IppTls(), "localhost"), 5.0, busy=True)
        shown = await asyncio.to_thread(ssl.get_server_certificate, ("127.0.0.1", port))
        pinned = IppTls(hashlib.sha256(ssl.PEM_cert_to_DER_cert(shown)).hexdigest())
        notes: list[str] = []
        async with a_witness(notes) as witness:
            assert await witness.look(at(port, pinned, "localhost"), 5.0, busy=True), notes
            other = IppTls("0" * 64)
            assert not await witness.look(at(port, other, "localhost"), 5.0, busy=True)
    assert [("another certificate" in note, pinned.fingerprint in note) for note in notes] == [(True, True)]


async def test_a_pinned_certificate_may_be_expired_and_for_another_name(tmp_path: Path) -> None:
    old = Authority(tmp_path).issue("printer", x509.DNSName("printer.example"), days=-1)
    async with looking(old) as (witness, port, notes):
        assert await witness.look(at(port, IppTls(fingerprint_of(old))), 5.0, busy=True)
    assert notes == []


@pytest.mark.parametrize(
    ("name", "days", "text"),
    [(AT_LOOPBACK, 2, ""), (x509.DNSName("other.example"), 2, "mismatch"), (AT_LOOPBACK, -1, "expired")],
)
async def test_an_authority_vouches_for_a_valid_certificate_of_the_host(
    tmp_path: Path, name: x509.GeneralName, days: float, text: str
) -> None:
    authority = Authority(tmp_path)
    async with looking(authority.issue("printer", name, days=days)) as (witness, port, notes):
        looks = await witness.look(at(port, IppTls(ca_file=authority.own.certificate)), 5.0, busy=True)
    assert (bool(looks), [text in note and "ipp_ca_file" in note for note in notes]) == (not text, [True] * bool(text))


async def test_another_authority_is_refused_and_a_file_without_one_is_named(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "none.pem").write_text("no certificate\n")
    mine = Authority(tmp_path / "mine", "another").own.certificate
    async with looking(Authority(tmp_path).issue("printer", AT_LOOPBACK)) as (witness, port, notes):
        for ca_file in (mine, tmp_path / "none.pem"):
            assert not await witness.look(at(port, IppTls(ca_file=ca_file)), 5.0, busy=True)
    assert "is not accepted" in notes[0]
    assert "can't be used" in notes[1]


async def test_a_certificate_that_changes_is_told_where_nothing_is_checked(tmp_path: Path) -> None:
    authority, notes = Authority(tmp_path), list[str]()
    first, second = (authority.issue(name, AT_LOOPBACK) for name in ("first", "second"))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(first.certificate, first.key)
    async with server(lambda _: (200, EMPTY), context) as port, a_witness(notes) as witness:
        assert await witness.look(at(port, IppTls()), 5.0, busy=True)
        context.load_cert_chain(second.certificate, second.key)
        assert await witness.look(at(port, IppTls()), 5.0, busy=True)
        assert await witness.look(at(port, IppTls()), 5.0, busy=True)
    (told,) = notes
    assert fingerprint_of(second) in told
    assert fingerprint_of(first) in told


async def test_a_port_without_tls_and_one_that_wants_it_are_told_with_the_setting() -> None:
    async with looking(None) as (witness, port, notes):
        assert not await witness.look(at(port, IppTls()), 5.0, busy=True)
        # Never plain instead: what speaks no TLS is not asked without it.
        assert "does not speak TLS; leave ipp_tls out" in notes[0]
    wanting: list[str] = []
    async with server(lambda _: (426, b"")) as port, a_witness(wanting) as witness:
        assert not await witness.look(at(port, None), 5.0, busy=True)
    assert "ipp_tls = true" in wanting[0]


async def test_plain_ipp_at_a_port_of_tls_is_told_with_the_setting(tmp_path: Path) -> None:
    async with looking(Authority(tmp_path).own) as (witness, port, notes):
        assert not await witness.look(at(port, None), 5.0, busy=True)
    assert "ipp_tls = true" in notes[0]
