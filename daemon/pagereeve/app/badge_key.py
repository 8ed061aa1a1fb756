"""The badge key at the start of the daemon: the one under which this journal's badges were hashed, or no start."""

from __future__ import annotations

import hashlib
import hmac
from pathlib import Path
from typing import Final, Protocol

import structlog

from pagereeve.app.badge_key_file import RESTORE, BadBadgeKey, make_key, read_key, set_aside, tidied
from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import BadgePresented, Bound, ReleaseStarted
from pagereeve.ports.key_checks import KeyChecks
from pagereeve.ports.store import BadgeStore

NAME: Final = "badge"
_CHECKED: Final = b"pagereeve: check value of the badge key, 1"

log = structlog.get_logger("pagereeve.app")


class KeyStore(BadgeStore, KeyChecks, Protocol):
    """What is asked of the journal about the key."""


def check_value(key: bytes) -> str:
    """Shows whether two keys are the same, and nothing of the key: a keyed hash of a constant."""
    return hmac.digest(key, _CHECKED, hashlib.sha256).hex()[:32]


def key_trouble(path: Path, known: str | None) -> str:
    """Why the next start would be refused, for a journal that holds badges; "" where nothing is wrong."""
    if not path.exists():
        return "" if known is None else f"is gone; {RESTORE}"
    try:
        key = read_key(path)
    except BadBadgeKey as error:
        return error.problem
    return "" if known in {None, check_value(key)} else f"is another key than this journal's; {RESTORE}"


async def badge_key(path: Path, store: KeyStore, *, renew: bool = False) -> bytes:
    """The key in the file at ``path``, made where there is neither file nor stored badge. Raises BadBadgeKey.

    ``renew``: a person gives a lost key up; what file there is is set aside and a new key made. A key that is the
    journal's own is not lost, and is kept: the option may have been left in a unit file.
    """
    known = await store.key_check(NAME)
    if renew and known is not None and not key_trouble(path, known):
        log.warning("the badge key is this journal's own, and is kept; leave --new-badge-key out")
        renew = False
    if renew:
        aside = set_aside(path)
        log.warning("a new badge key: badges of before are not recognised", aside=None if aside is None else str(aside))
    if not tidied(path):
        if not renew and await _has_badges(store):
            raise BadBadgeKey(path, f"is gone, and the journal holds badges that were hashed with it; {RESTORE}")
        make_key(path)
    key = await _read(path, store)
    seen = check_value(key)
    if seen == known:
        return key
    if known is not None and not renew and await _has_badges(store):
        raise BadBadgeKey(path, f"is another key than the one that this journal's badges were hashed with; {RESTORE}")
    await store.keep_key_check(NAME, seen)
    return key


async def _read(path: Path, store: KeyStore) -> bytes:
    try:
        return read_key(path)
    except BadBadgeKey:
        if await _has_badges(store):
            raise
    return read_key(path, f"no badge is stored yet: delete {path}, and the next start makes a new one")


async def _has_badges(store: KeyStore) -> bool:
    """Is a hash stored that only its key explains?"""
    if any(isinstance(one.fact, Bound) for one in await store.standing_facts(SITE)):
        return True
    async for fact in store.badge_facts():
        if isinstance(fact, BadgePresented) or (isinstance(fact, ReleaseStarted) and fact.badge):
            return True
    return False
