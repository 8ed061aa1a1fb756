"""ID tokens: whose signature, for whom, of when (OpenID Connect Core 1.0 section 3.1.3.7; RFC 8725 for the rest)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from authlib.oidc.core import CodeIDToken
from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey
from joserfc.jws import JWSRegistry

from pagereeve.domain.credentials.subjects import subject_trouble

ALGORITHMS: Final = ("RS256", "PS256", "ES256")
"""RFC 8725 section 3.1: a list of our own, whatever the token or the provider says. No ``none``, and no HMAC, for which
a public key would do as the secret."""
RSA_LEAST_BITS: Final = 2_048
"""RFC 7518 sections 3.3 and 3.5."""
LEEWAY_S: Final = 60
# How much earlier than the sign-in a token may be made: clocks differ.
OLDER_S: Final = 300
KEYS_MAX: Final = 100
Key = RSAKey | ECKey


class NotTrusted(Exception):
    """Says what is wrong, and nothing of the token."""


class UnknownKey(NotTrusted):
    """None of the keys that are known here made the signature: the provider may have others by now."""


@dataclass(frozen=True, slots=True)
class Expected:
    """``now_s`` and ``begun_s`` are seconds since 1970."""

    issuer: str
    client_id: str
    nonce: str = field(repr=False)
    begun_s: int
    now_s: int


def keys_of(document: Any) -> list[Key]:
    """Those of a JWK set that may sign with ALGORITHMS; others are passed over (RFC 7517 section 5).

    Raises NotTrusted.
    """
    listed = document.get("keys") if isinstance(document, dict) else None
    if not isinstance(listed, list) or len(listed) > KEYS_MAX:
        raise NotTrusted("the document of keys is no JWK set, or holds too many")
    found = (_key(one) for one in listed if isinstance(one, dict) and one.get("use", "sig") == "sig")
    return [one for one in found if one is not None]


def _key(one: dict[str, Any]) -> Key | None:
    try:
        if one.get("kty") == "RSA":
            rsa = RSAKey.import_key(one)
            return rsa if rsa.public_key.key_size >= RSA_LEAST_BITS else None
        if one.get("kty") == "EC" and one.get("crv") == "P-256":
            return ECKey.import_key(one)
    except (JoseError, ValueError, TypeError):
        return None
    return None


def proven_subject(token: str, access_token: Any, keys: Sequence[Key], expected: Expected) -> str:
    """Who signed in, as the issuer names the person. Raises NotTrusted, or UnknownKey."""
    try:
        key = _signer(token, keys)
        registry = JWSRegistry(algorithms=list(ALGORITHMS), strict_check_header=False)
        decoded = jwt.decode(token, key, registry=registry)
        _require_claims(decoded.claims, decoded.header, access_token, expected)
    except JoseError as error:
        raise NotTrusted(f"the ID token is refused: {error.error}, {error.description[:80]}") from None
    except (ValueError, TypeError, RecursionError) as error:
        raise NotTrusted(f"the ID token can't be read: {type(error).__name__}") from None
    subject = decoded.claims["sub"]
    if not isinstance(subject, str) or subject_trouble(subject):
        raise NotTrusted("the subject of the ID token is no text of 1 to 255 printable ASCII characters")
    return subject


def _signer(token: str, keys: Sequence[Key]) -> Key:
    """OpenID Connect Core 1.0 section 10.1: the token names the key where there is more than one."""
    header = jws.extract_compact(token.encode()).headers()
    algorithm, wanted = header.get("alg"), header.get("kid")
    if algorithm not in ALGORITHMS:
        raise NotTrusted("the ID token is signed with none of RS256, PS256 and ES256")
    kind = ECKey if algorithm == "ES256" else RSAKey
    fit = [one for one in keys if isinstance(one, kind) and one.get("alg", algorithm) == algorithm]
    if wanted is not None:
        fit = [one for one in fit if one.get("kid") == wanted]
    if len(fit) != 1:
        raise UnknownKey("the key of the ID token is none of the provider's, or can't be told from others")
    return fit[0]


def _require_claims(claims: dict[str, Any], header: dict[str, Any], access_token: Any, expected: Expected) -> None:
    """Raises NotTrusted and JoseError."""
    options = {
        "iss": {"essential": True, "value": expected.issuer},
        "aud": {"essential": True, "value": expected.client_id},
        "sub": {"essential": True},
    }
    params = {"nonce": expected.nonce, "client_id": expected.client_id, "access_token": access_token}
    CodeIDToken(claims, header, options, params).validate(now=expected.now_s, leeway=LEEWAY_S)
    # Section 3.1.3.7, 3: no audience beside us is trusted.
    if claims["aud"] not in (expected.client_id, [expected.client_id]):
        raise NotTrusted("the ID token is for others too")
    # The same, 10: issued too far from now.
    if claims["iat"] < expected.begun_s - OLDER_S:
        raise NotTrusted("the ID token is older than the sign-in")
