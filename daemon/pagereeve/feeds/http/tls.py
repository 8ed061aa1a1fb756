"""TLS at the HTTP port: certificate and key from files, checked before they are used; certificates of clients."""

from __future__ import annotations

import hashlib
import ssl
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US, to_text

FILE_MAX_BYTES: Final = 2**20
PROTOCOLS: Final = ("http/1.1",)
SUBJECT_MAX: Final = 120


class BadCertificate(PagereeveError):
    """Which file, what is wrong with it, and what to do. Holds nothing of a key."""


@dataclass(frozen=True, slots=True)
class TlsFiles:
    certificate: Path
    key: Path
    client_ca: Path | None = None


@dataclass(frozen=True, slots=True)
class Expiry:
    """``ours``: what we show; else that of an authority which signs for clients."""

    source: str
    subject: str
    until_us: int
    ours: bool


@dataclass(frozen=True, slots=True)
class ServerCertificate:
    """A certificate that can be used, and its key. Valid from ``since_us`` until ``until_us``, by the wall clock.

    ``names`` are the DNS names and addresses that it is for, ``digest`` changes with the files. ``expiries`` are of all
    certificates in the files.
    """

    source: Path
    names: frozenset[str]
    since_us: int
    until_us: int
    digest: bytes
    expiries: tuple[Expiry, ...]
    context: ssl.SSLContext = field(repr=False)

    def date_problem(self, wall_us: int) -> str:
        """Empty where it is valid at that instant."""
        if wall_us >= self.until_us:
            return f"{self.source} expired at {to_text(self.until_us)}; renew it"
        if wall_us < self.since_us:
            return f"{self.source} is not valid before {to_text(self.since_us)}; is this machine's clock right?"
        return ""


def server_certificate(files: TlsFiles) -> ServerCertificate:
    """Reads them. Dates are not judged: our own clock may be the one that is wrong. Raises BadCertificate."""
    raw = [_read(path) for path in (files.certificate, files.key, files.client_ca) if path is not None]
    chain = _certificates(files.certificate, raw[0])
    leaf = chain[0]
    key = _key(files.key, raw[1])
    if _public(leaf.public_key()) != _public(key.public_key()):
        raise BadCertificate(f"{files.key} is not the key of {files.certificate}, whose first certificate must be ours")
    context = _context(files)
    expiries = [_expiry(files.certificate, one, ours=True) for one in chain]
    if files.client_ca is not None:
        expiries += [_expiry(files.client_ca, one, ours=False) for one in _certificates(files.client_ca, raw[2])]
        _trust_clients(context, files.client_ca, raw[2])
    digest = hashlib.sha256(b"".join(hashlib.sha256(one).digest() for one in raw)).digest()
    since_us, until_us = _us(leaf.not_valid_before_utc), _us(leaf.not_valid_after_utc)
    return ServerCertificate(files.certificate, _names(leaf), since_us, until_us, digest, tuple(expiries), context)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            raw = file.read(FILE_MAX_BYTES + 1)
    except OSError as error:
        raise BadCertificate(f"{path} can't be read ({error.strerror}); let the daemon's user read it") from None
    if len(raw) > FILE_MAX_BYTES:
        raise BadCertificate(f"{path} is longer than {FILE_MAX_BYTES} bytes; is it the right file?")
    return raw


def _certificates(path: Path, raw: bytes) -> list[x509.Certificate]:
    try:
        return x509.load_pem_x509_certificates(raw)
    except ValueError:
        raise BadCertificate(f"{path} holds no certificate in PEM; name such a file") from None


def _key(path: Path, raw: bytes) -> PrivateKeyTypes:
    try:
        return load_pem_private_key(raw, None)
    except TypeError:
        raise BadCertificate(
            f"{path} is under a passphrase, and nobody is there to give it; store it without"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise BadCertificate(f"{path} holds no private key in PEM; name such a file") from None


def _public(key: object) -> bytes:
    found: bytes = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)  # type: ignore[attr-defined]
    return found


def _context(files: TlsFiles) -> ssl.SSLContext:
    """TLS 1.2 or newer (RFC 8996, RFC 9325 section 3.1.1)."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    # A renegotiation costs us more than whoever asks for it (RFC 9325 section 3.5).
    context.options |= ssl.OP_NO_RENEGOTIATION
    context.set_alpn_protocols(list(PROTOCOLS))
    try:
        context.load_cert_chain(files.certificate, files.key, password=_no_password)
    except (OSError, ValueError) as error:
        why = getattr(error, "reason", None) or "it can't be used"
        raise BadCertificate(f"{files.certificate} with {files.key}: {why}; make another one") from None
    return context


def _no_password() -> str:
    """Asked for nobody at a terminal: keys under a passphrase were refused before."""
    return ""


def _trust_clients(context: ssl.SSLContext, path: Path, raw: bytes) -> None:
    """A client need not show a certificate: a token will do as well. One that is shown must be good."""
    try:
        context.load_verify_locations(cadata=raw.decode("ascii", "replace"))
    except (OSError, ValueError):
        raise BadCertificate(f"{path} holds certificates that can't be used; name the authority's in PEM") from None
    context.verify_mode = ssl.CERT_OPTIONAL
    # A ticket would vouch for a client whose certificate has expired since.
    context.options |= ssl.OP_NO_TICKET
    context.num_tickets = 0


def _names(leaf: x509.Certificate) -> frozenset[str]:
    try:
        found = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return frozenset()
    addresses = (str(one) for one in found.get_values_for_type(x509.IPAddress))
    return frozenset([*found.get_values_for_type(x509.DNSName), *addresses])


def _expiry(path: Path, one: x509.Certificate, *, ours: bool) -> Expiry:
    return Expiry(str(path), one.subject.rfc4514_string()[:SUBJECT_MAX], _us(one.not_valid_after_utc), ours)


def _us(instant: datetime) -> int:
    return round(instant.timestamp()) * SECOND_US
