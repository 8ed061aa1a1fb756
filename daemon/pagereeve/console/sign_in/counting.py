"""What came of sign-ins: counted by kind and outcome, and one line of the log for each that somebody should see.

No fact of the journal: when somebody was at work is that person's, and a fact stays for good. A log has an end that the
site chooses. (That names were shown is a fact: it is about the data of others.)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Final, Literal

import structlog

from pagereeve.domain.credentials.book import Credential

By = Literal["password", "proxy", "oidc"]
_EVERYWHERE: Final = ("signed-in", "signed-out")
OUTCOMES: Final[Mapping[By, tuple[str, ...]]] = {
    "password": (*_EVERYWHERE, "wrong", "wait"),
    "proxy": _EVERYWHERE,
    "oidc": (*_EVERYWHERE, "away", "refused", "stale", "untrusted", "unknown", "over", "wait"),
}
"""``wrong``: name or password. ``wait``: too many attempts. ``unknown``: nobody's subject. ``over``: the credential was
revoked or has expired. The others are as console.sign_in.oidc.outcomes has them."""

log = structlog.get_logger("pagereeve.sign-in")


def by_of(credential: Credential) -> By:
    return "proxy" if credential.is_proxied else "oidc" if credential.is_oidc else "password"


class SignInCounts:
    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter({(by, one): 0 for by, all_ in OUTCOMES.items() for one in all_})

    def signed_in(self, credential: Credential, peer: str) -> None:
        by = by_of(credential)
        self.counts[by, "signed-in"] += 1
        log.info("signed in", credential=credential.caller.name, by=by, peer=peer)

    def signed_out(self, credential: Credential) -> None:
        by = by_of(credential)
        self.counts[by, "signed-out"] += 1
        log.info("signed out", credential=credential.caller.name, by=by)

    def failed(self, by: By, why: str, peer: str, known: Credential | None = None, detail: str = "") -> None:
        """``known``: whose it would have been. A name that is nobody's is in no log: it may be a password."""
        self.counts[by, why] += 1
        if why == "wait":
            return  # whoever makes too many attempts must not fill the log
        more = {"credential": known.caller.name} if known is not None else {}
        log.warning("nobody was signed in", by=by, why=why, peer=peer, **more, **({"detail": detail} if detail else {}))
