"""What may come of signing in at a provider, but for success."""

from __future__ import annotations

from typing import Final, Literal, get_args

from pagereeve.domain.values.errors import PagereeveError

Why = Literal["away", "refused", "stale", "untrusted", "wait"]
"""``away``: the provider gave no answer that can be used. ``refused``: it said no. ``stale``: nothing is under way that
this belongs to. ``untrusted``: what came proves nothing. ``wait``: too many at once."""
WHYS: Final[tuple[Why, ...]] = get_args(Why)


class NotSignedIn(PagereeveError):
    """``detail`` is for the log: no code, token or secret is in it. ``then`` is where the browser was to go."""

    def __init__(self, why: Why, detail: str, then: str = "") -> None:
        super().__init__(f"{why}: {detail}")
        self.why: Why = why
        self.detail = detail
        self.then = then
