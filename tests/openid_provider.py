"""A small OpenID provider on loopback, with keys of its own: what it says can be bent by whoever tests."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import secrets
import socket
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Self
from urllib.parse import parse_qs, parse_qsl, unquote_plus, urlencode, urlsplit

import uvicorn
from cryptography.hazmat.primitives.asymmetric.padding import PKCS1v15
from cryptography.hazmat.primitives.hashes import SHA256
from joserfc import jwt
from joserfc.jwk import ECKey, RSAKey
from joserfc.jws import JWSRegistry

from pagereeve.feeds.http.answers import Receive, Scope, Send

CLIENT = "pagereeve"
SECRET = "an invented+secret: 100 %41"
ANISE = "248289761001"
Json = dict[str, Any]
Bent = Callable[[Json], Any]


@cache
def rsa_key(kid: str, bits: int = 2_048) -> RSAKey:
    return RSAKey.generate_key(bits, {"kid": kid})


@cache
def ec_key(kid: str) -> ECKey:
    return ECKey.generate_key("P-256", {"kid": kid})


def straight(given: Json) -> Any:
    return given


@dataclass
class OpenIdProvider:
    """``async with``. ``subject`` is who signs in there, without being asked. What it sends passes ``bend_...``."""

    subject: str = ANISE
    key: RSAKey | ECKey = field(default_factory=lambda: rsa_key("one"))
    published: list[RSAKey | ECKey] = field(default_factory=list)
    algorithm: str = "RS256"
    bend_configuration: Bent = straight
    bend_claims: Bent = straight
    bend_header: Bent = straight
    bend_token: Bent = straight
    """Of the whole answer of the token endpoint; bytes are sent as they are."""
    answer_as: dict[str, str] = field(default_factory=dict)
    """What it adds to the redirect, or has in place of what it would."""
    slow_s: float = 0.0
    now_s: Callable[[], float] = time.time
    packed: bool = False
    out: list[str] = field(default_factory=list)
    """Subjects that were signed out."""

    def __post_init__(self) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.issuer = f"http://127.0.0.1:{self._socket.getsockname()[1]}"
        self.asked: Counter[str] = Counter()
        self._codes: dict[str, dict[str, str]] = {}
        self.published = self.published or [self.key]

    async def __aenter__(self) -> Self:
        config = uvicorn.Config(
            self._serve, interface="asgi3", log_config=None, lifespan="off", access_log=False, ws="none"
        )
        self._server = uvicorn.Server(config)
        self._task = asyncio.create_task(self._server._serve([self._socket]))
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._server.force_exit = True
        await self._task
        self._socket.close()

    async def _serve(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = scope["path"]
        self.asked[path] += 1
        await asyncio.sleep(self.slow_s)
        match path:
            case "/.well-known/openid-configuration":
                await self._send(self.bend_configuration(self.configuration()), send)
            case "/keys":
                await self._send({"keys": [one.as_dict(private=False) for one in self.published]}, send)
            case "/authorize":
                await self._send_on(self.authorized(f"{self.issuer}{path}?{scope['query_string'].decode()}"), send)
            case "/logout":
                await self._send_on(self.signed_out(f"{self.issuer}{path}?{scope['query_string'].decode()}"), send)
            case "/token":
                answer, status = self._token(scope, await _body(receive))
                await self._send(answer, send, status)
            case _:
                await self._send({"error": "invalid_request"}, send, 404)

    def configuration(self) -> Json:
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize?tenant=college",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256", "ES256"],
            "authorization_response_iss_parameter_supported": True,
            "claims_supported": ["sub"],
            "end_session_endpoint": f"{self.issuer}/logout?tenant=college",
        }

    def authorized(self, address: str) -> str:
        """What a browser does that is sent there: the person agrees, and the answer is the address to go on to."""
        parts = urlsplit(address)
        asked = dict(parse_qsl(parts.query, strict_parsing=True))
        assert parts.path == "/authorize"
        assert (asked["client_id"], asked["response_type"], asked["scope"]) == (CLIENT, "code", "openid")
        assert (asked["code_challenge_method"], asked["tenant"]) == ("S256", "college")
        code = secrets.token_urlsafe()
        self._codes[code] = asked
        answer = {"code": code, "state": asked["state"], "iss": self.issuer} | self.answer_as
        return f"{asked['redirect_uri']}?{urlencode({name: value for name, value in answer.items() if value})}"

    def signed_out(self, address: str) -> str:
        """What a browser does that is sent there (OpenID Connect RP-Initiated Logout 1.0 sections 2 and 3): the person
        is signed out, and the answer is the address to go on to.
        """
        parts = urlsplit(address)
        asked = dict(parse_qsl(parts.query, strict_parsing=True))
        assert (parts.path, asked["tenant"], asked["client_id"]) == ("/logout", "college", CLIENT)
        hint = jwt.decode(asked["id_token_hint"], self.key, registry=JWSRegistry(algorithms=[self.algorithm]))
        self.out.append(hint.claims["sub"])
        return f"{asked['post_logout_redirect_uri']}?{urlencode({'state': asked['state']})}"

    def _token(self, scope: Scope, body: bytes) -> tuple[Any, int]:
        """RFC 6749 sections 4.1.3 and 5.2; a code is good once (4.1.2)."""
        given = {name: values[0] for name, values in parse_qs(body.decode(), strict_parsing=True).items()}
        asked = self._codes.pop(given["code"], None)
        if _client(scope, given) != (CLIENT, SECRET):
            return {"error": "invalid_client"}, 401
        challenge = _base64(hashlib.sha256(given["code_verifier"].encode()).digest())
        if asked is None or asked["redirect_uri"] != given["redirect_uri"] or asked["code_challenge"] != challenge:
            return {"error": "invalid_grant", "error_description": f"{given['code']} is used up"}, 400
        answer = {"access_token": "opaque", "token_type": "Bearer", "expires_in": 60, "id_token": self._id_token(asked)}
        return self.bend_token(answer), 200

    def _id_token(self, asked: dict[str, str]) -> str:
        now_s = int(self.now_s())
        claims = {"iss": self.issuer, "sub": self.subject, "aud": CLIENT, "exp": now_s + 300, "iat": now_s}
        return self.signed(self.bend_claims(claims | {"nonce": asked["nonce"]}))

    def signed(self, claims: Json) -> str:
        header = self.bend_header({"alg": self.algorithm, "kid": self.key.kid})
        text = f"{_part(header)}.{_part(claims)}"
        if header["alg"] == "none":
            return f"{text}."
        if header["alg"] == "HS256":  # the public key taken for a secret (RFC 8725 section 2.1)
            public = self.key.as_pem(private=False)
            return f"{text}.{_base64(hmac.digest(public, text.encode(), 'sha256'))}"
        if "crit" in header:  # as nobody would make it
            assert isinstance(self.key, RSAKey)
            assert self.key.private_key is not None
            return f"{text}.{_base64(self.key.private_key.sign(text.encode(), PKCS1v15(), SHA256()))}"
        registry = JWSRegistry(algorithms=[header["alg"]], strict_check_header=False)
        return jwt.encode(header, claims, self.key, registry=registry)

    async def _send(self, answer: Any, send: Send, status: int = 200) -> None:
        body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
        headers = [(b"content-type", b"application/json")]
        if self.packed:
            headers.append((b"content-encoding", b"gzip"))
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": body})

    async def _send_on(self, address: str, send: Send) -> None:
        headers = [(b"location", address.encode()), (b"content-length", b"0")]
        await send({"type": "http.response.start", "status": 302, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


def _client(scope: Scope, given: dict[str, str]) -> tuple[str, ...]:
    """RFC 6749 section 2.3.1: in the header as a form has it, or in the body."""
    shown = dict(scope["headers"]).get(b"authorization")
    if shown is None:
        return given.get("client_id", ""), given.get("client_secret", "")
    return tuple(unquote_plus(one) for one in base64.b64decode(shown.removeprefix(b"Basic ")).decode().split(":"))


def _part(value: Json) -> str:
    return _base64(json.dumps(value).encode())


def _base64(value: bytes) -> str:
    return base64.urlsafe_b64encode(value).decode().rstrip("=")


async def _body(receive: Receive) -> bytes:
    body, more = b"", True
    while more:
        message = await receive()
        body += message.get("body", b"")
        more = message.get("more_body", False)
    return body
