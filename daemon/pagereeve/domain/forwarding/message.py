"""What a batch is called on its way through a broker."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Self

from pagereeve.domain.facts.sites import is_site_name

FULL_STOP: Final = "="
"""In the place of a full stop, which parts a subject's words; no site's name holds it."""
MESSAGE_ID_MAX: Final = 200
_ID: Final = re.compile(
    r"([A-Za-z0-9_=-]{1,64})\.([0-9a-f]{32})\.(\d{1,16})-(\d{1,16})\.(\d{1,18})\.(\d{1,16})", re.ASCII
)


def word_of(site: str) -> str:
    """A site's name as one word of a subject, and as part of a stream's name; no two sites have the same."""
    if not is_site_name(site):
        raise ValueError(f"{site[:80]!r} is no site's name")
    return site.replace(".", FULL_STOP)


def facts_subject(site: str) -> str:
    return f"pagereeve.facts.{word_of(site)}"


def heads_subject(site: str) -> str:
    return f"pagereeve.heads.{word_of(site)}"


def facts_stream(site: str) -> str:
    return f"pagereeve-facts-{word_of(site)}"


def heads_stream(site: str) -> str:
    return f"pagereeve-heads-{word_of(site)}"


@dataclass(frozen=True, slots=True)
class MessageId:
    """Facts of the journal ``origin`` behind the place ``after`` up to ``end``, sent in a round: whatever is sent anew
    since it was lost is sent in another, or the broker would take it for the same message. Questions, which have no
    facts, are counted for the same reason; of facts that count is 0.
    """

    site: str
    origin: str
    after: int
    end: int
    round: int
    question: int = 0

    def __str__(self) -> str:
        return f"{word_of(self.site)}.{self.origin}.{self.after}-{self.end}.{self.round}.{self.question}"

    @classmethod
    def parsed(cls, text: str) -> Self | None:
        """None where it is none."""
        found = _ID.fullmatch(text)
        if found is None:
            return None
        site, origin, *numbers = found.groups()
        return cls(site.replace(FULL_STOP, "."), origin, *map(int, numbers))
