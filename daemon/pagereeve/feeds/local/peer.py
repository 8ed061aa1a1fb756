"""Users of this machine: their names and groups, as its password and group databases have them."""

from __future__ import annotations

import grp
import os
import pwd
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.plain_text import refused_character

# Of a fact's names; useradd(8) allows 32 characters, a directory service more.
NAME_MAX: Final = 200
ROOT_UID: Final = 0


@dataclass(frozen=True, slots=True)
class LocalUser:
    """``name`` is ``uid:N`` where the database has none; a user's own name holds no colon (passwd(5))."""

    uid: int
    name: str
    groups: frozenset[str] = frozenset()


def nameless(uid: int) -> LocalUser:
    return LocalUser(uid, f"uid:{uid}")


def local_user(uid: int) -> LocalUser:
    """Asks the databases (getpwuid(3), getgrouplist(3)), which may ask a directory service: it can take its time."""
    try:
        entry = pwd.getpwuid(uid)
    except (KeyError, OverflowError):
        return nameless(uid)
    groups = frozenset(filter(None, map(_group_name, os.getgrouplist(entry.pw_name, entry.pw_gid))))
    unusable = not 0 < len(entry.pw_name) <= NAME_MAX or refused_character(entry.pw_name)
    return LocalUser(uid, nameless(uid).name if unusable else entry.pw_name, groups)


def this_user() -> LocalUser:
    """Whose rights this process has (geteuid(2)): the same that the daemon sees at the other end of its socket."""
    return local_user(os.geteuid())


def unknown_accounts(users: Iterable[str], groups: Iterable[str]) -> Iterator[str]:
    """Names that are nobody's on this machine, or not now: a directory service may be away."""
    for name in users:
        try:
            pwd.getpwnam(name)
        except KeyError:
            yield f"local.users: {name!r} is no user of this machine"
    for name in groups:
        try:
            grp.getgrnam(name)
        except KeyError:
            yield f"local.groups: {name!r} is no group of this machine"


def _group_name(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except (KeyError, OverflowError):
        return ""
