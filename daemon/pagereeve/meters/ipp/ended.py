"""Why there is no answer over IPP."""

from __future__ import annotations

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.values.errors import PagereeveError


class IppEnded(PagereeveError):
    """Why there is no answer over IPP; ``reason`` is that of a meter that is read so."""

    def __init__(self, reason: SilenceReason, text: str) -> None:
        super().__init__(text)
        self.reason = reason
