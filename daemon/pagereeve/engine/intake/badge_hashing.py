"""From a badge number as read to its hash: its reader's form, then the keyed hash."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field

from pagereeve.domain.badges.form import BadgeForm, canonical_badge
from pagereeve.domain.badges.styles import READ_SHORT, SHIFTED, read_short, unshifted, written_otherwise

Reader = tuple[str, str]
"""(gateway, reader); a reader of "" means all of the gateway that have no form of their own."""


@dataclass(frozen=True, slots=True)
class BadgeSight:
    """``badge`` is the keyed hash; ``resembles`` names the style in which an unknown badge would be a known one."""

    badge: str
    resembles: str = ""


@dataclass(slots=True)
class BadgeHasher:
    """``key`` is the secret of the keyed hash; ``known`` are the hashes of badges that a directory names.

    ``short`` are these by the hash of what a reader gives that reads them short.
    """

    key: bytes = field(repr=False)
    form: BadgeForm = field(default_factory=BadgeForm)
    forms: Mapping[Reader, BadgeForm] = field(default_factory=dict)
    known: set[str] = field(default_factory=set, repr=False)
    short: dict[str, set[str]] = field(default_factory=dict, repr=False)

    def learn(self, canonical: str) -> str:
        """The hash of a badge that a directory names; from now on it is known."""
        badge = self.hashed(canonical)
        self.known.add(badge)
        short = read_short(canonical)
        if short:
            self.short.setdefault(self.hashed(short), set()).add(badge)
        return badge

    def hashed(self, canonical: str) -> str:
        return "b-" + hmac.digest(self.key, canonical.encode(), hashlib.sha256).hex()[:32]

    def form_of(self, gateway: str, reader: str) -> BadgeForm:
        return self.forms.get((gateway, reader)) or self.forms.get((gateway, "")) or self.form

    def seen(self, number: str, gateway: str = "", reader: str = "") -> BadgeSight:
        """Raises domain.badgeform.BadBadge where the reader's form refuses the number; its text holds nothing of it."""
        canonical = canonical_badge(number, self.form_of(gateway, reader))
        badge = self.hashed(canonical)
        if not self.known or badge in self.known:
            return BadgeSight(badge)
        return BadgeSight(badge, self._resembles(canonical))

    def _resembles(self, canonical: str) -> str:
        others = written_otherwise(canonical).items()
        style = next((style for style, other in others if self.hashed(other) in self.known), "")
        return style or self._slip(canonical)

    def _slip(self, canonical: str) -> str:
        """Exactly one known badge is meant, or none is."""
        if len(self.short.get(self.hashed(canonical), ())) == 1:
            return READ_SHORT
        return SHIFTED if len({self.hashed(one) for one in unshifted(canonical)} & self.known) == 1 else ""
