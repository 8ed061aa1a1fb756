"""What the relay says in its log: the same thing every 10 s at most, and never a line's content."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Final

EVERY_S: Final = 10.0
KINDS_MAX: Final = 1_000

Say = Callable[[str, str, int], None]
"""What happened, why, and how many times it was left out before."""


class SparingReport:
    """Implements forwarding.Report."""

    def __init__(self, say: Say, now_s: Callable[[], float]) -> None:
        self._say = say
        self._now_s = now_s
        self._since: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def __call__(self, what: str, error: Exception | None) -> None:
        now_s = self._now_s()
        said_s, left_out = self._since.get(what, (now_s - EVERY_S, 0))
        if now_s - said_s < EVERY_S:
            self._since[what] = said_s, left_out + 1
            return
        self._since[what] = now_s, 0
        self._since.move_to_end(what)
        if len(self._since) > KINDS_MAX:
            self._since.popitem(last=False)
        self._say(what, _why(error), left_out)


def _why(error: Exception | None) -> str:
    """An error that is none of the network's is named by its kind alone: its text could hold what it broke on."""
    if error is None:
        return ""
    if isinstance(error, OSError):
        return error.strerror or type(error).__name__
    return type(error).__name__
