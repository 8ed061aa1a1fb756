"""Certificates of our own for 127.0.0.1: for servers that speak TLS to the receivers, and for our own port."""

from __future__ import annotations

import ssl
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


@dataclass(frozen=True, slots=True)
class Certificate:
    certificate: Path
    key: Path

    def server(self) -> ssl.SSLContext:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self.certificate, self.key)
        return context

    def client(self) -> ssl.SSLContext:
        """Trusts this certificate alone."""
        return ssl.create_default_context(cafile=str(self.certificate))


def self_made(folder: Path) -> Certificate:
    return Authority(folder).own


class Authority:
    """Signs for others; ``own`` is a certificate for 127.0.0.1 that is signed by itself."""

    def __init__(self, folder: Path, name: str = "pagereeve test") -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        made = _builder(self._name, self._name, self._key, days=2, names=[x509.IPAddress(ip_address("127.0.0.1"))])
        made = made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        self.own = _written(folder, "server", made.sign(self._key, hashes.SHA256()), self._key)

    def issue(self, name: str, *names: x509.GeneralName, days: float = 2) -> Certificate:
        """Valid since yesterday; ``days`` below 0 is one that has expired."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        made = _builder(subject, self._name, key, days=days, names=names)
        return _written(self.folder, name, made.sign(self._key, hashes.SHA256()), key)


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    *,
    days: float,
    names: Iterable[x509.GeneralName],
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(min(now, now + timedelta(days=days)) - timedelta(days=1))
        .not_valid_after(now + timedelta(days=days))
    )
    given = tuple(names)
    return builder.add_extension(x509.SubjectAlternativeName(given), critical=False) if given else builder


def _written(folder: Path, name: str, certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey) -> Certificate:
    made = Certificate(folder / f"{name}.pem", folder / f"{name}.key")
    made.certificate.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    made.key.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    made.key.chmod(0o600)
    return made
