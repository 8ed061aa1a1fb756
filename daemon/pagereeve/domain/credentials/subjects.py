"""Persons as an OpenID provider knows them: issuer and subject, and the digest that is kept of both.

Nothing else is stable. OpenID Connect Core 1.0 section 5.7: ``sub`` and ``iss`` together are the only claims that a
client may rely upon as a name that stays one person's; an e-mail address or a preferred user name may be another's one
day. So a credential names the subject when it is made, and nobody becomes its holder by a name.
"""

from __future__ import annotations

import hashlib
from typing import Final

SUBJECT_MAX: Final = 255
_PRINTABLE: Final = range(0x20, 0x7F)


def subject_trouble(subject: str) -> str:
    """Why it can be none; "" where nothing is wrong. OpenID Connect Core 1.0 section 2, "sub": 255 ASCII characters."""
    if not subject.strip():
        return "the subject is empty; the page that refuses a person shows it"
    if len(subject) > SUBJECT_MAX:
        return f"the subject has more than {SUBJECT_MAX} characters; copy it from the page that refuses a person"
    if any(ord(one) not in _PRINTABLE for one in subject):
        return "the subject holds a character that is not printable ASCII; copy it from the page that refuses a person"
    return ""


def digest_of_subject(issuer: str, subject: str) -> str:
    """What is kept of both: hexadecimal digits of a SHA-256. Another issuer's person of that subject is another one."""
    return hashlib.sha256(f"{issuer}\n{subject}".encode()).hexdigest()
