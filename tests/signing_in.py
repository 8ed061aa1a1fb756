"""A browser before a daemon: what it would send, cookie and origin and all."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlencode

import httpx2
from argon2 import PasswordHasher

from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.domain.credentials.book import PASSWORD_MARK, PROXIED, Credential
from pagereeve.domain.credentials.callers import Act, Caller

# argon2's least (RFC 9106 section 3.1); what a password costs is tested where it is made.
CHEAP: Final = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
PASSWORD: Final = "four pages of rhubarb"
HTML: Final = {"accept": "text/html,application/xhtml+xml"}
_TOKEN: Final = re.compile(r'name="csrf" value="([^"]+)"')


def account(name: str, *acts: Act, expires_us: int | None = None, revoked_us: int | None = None) -> Credential:
    """With PASSWORD."""
    caller = Caller(name, frozenset(acts or ("read",)))
    return Credential(caller, CHEAP.kept(PASSWORD), expires_us=expires_us, revoked_us=revoked_us)


def proxied(name: str, *acts: Act) -> Credential:
    return Credential(Caller(name, frozenset(acts or ("read",))), PASSWORD_MARK + PROXIED)


@dataclass
class Browser:
    """Sends what the form of a page sends, from ``origin``; keeps one cookie."""

    client: httpx2.AsyncClient
    origin: str
    cookie: str = ""
    headers: dict[str, str] = field(default_factory=dict)

    async def get(self, path: str, **headers: str) -> httpx2.Response:
        return await self._sent("GET", path, None, headers)

    async def post(self, path: str, fields: dict[str, str], **headers: str) -> httpx2.Response:
        own = {"origin": self.origin, "sec-fetch-site": "same-origin", "referer": f"{self.origin}/now"}
        return await self._sent("POST", path, fields, {**own, **headers})

    async def sign_in(self, name: str, password: str = PASSWORD, then: str = "/now") -> httpx2.Response:
        return await self.post("/sign-in", {"name": name, "password": password, "then": then})

    async def form_token(self) -> str:
        found = _TOKEN.search((await self.get("/now")).text)
        return "" if found is None else found[1]

    async def _sent(
        self, method: str, path: str, fields: dict[str, str] | None, headers: dict[str, str]
    ) -> httpx2.Response:
        sent = {**HTML, **self.headers, **{name.replace("_", "-"): value for name, value in headers.items()}}
        if self.cookie:
            sent.setdefault("cookie", self.cookie)
        content = None
        if fields is not None:
            content = urlencode(fields).encode()
            sent.setdefault("content-type", "application/x-www-form-urlencoded")
        kept = {name: value for name, value in sent.items() if value}
        answer = await self.client.request(method, f"{self.origin}{path}", content=content, headers=kept)
        self.client.cookies.clear()  # ours is the only one
        set_cookie = answer.headers.get("set-cookie", "")
        if set_cookie:
            pair = set_cookie.partition(";")[0]
            self.cookie = "" if pair.endswith("=") else pair
        return answer
