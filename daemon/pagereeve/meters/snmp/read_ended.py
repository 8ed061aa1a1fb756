"""The one way in which a read ends without a reading."""

from __future__ import annotations

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.values.errors import PagereeveError


class ReadEnded(PagereeveError):
    """Why a read can't bring a reading."""

    def __init__(self, reason: SilenceReason, detail: str, responder: str = "") -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail
        self.responder = responder
