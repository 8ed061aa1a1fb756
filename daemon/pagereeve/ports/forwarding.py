"""A site forwards its sealed facts to a centre: what the site reads of its journal, and what a centre answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol

from pagereeve.domain.forwarding.batch import SealedBody, SealedPlace
from pagereeve.domain.forwarding.refusal import CAUSES, Cause
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.seal import SealHeads

Trouble = Cause | Literal["set-back", "unreachable", "not-allowed", "busy"]
TROUBLES: Final[tuple[Trouble, ...]] = (*CAUSES, "set-back", "unreachable", "not-allowed", "busy")
"""Why nothing is forwarded just now. set-back: the centre has more of this journal than the journal itself;
not-allowed: the credential; busy: the centre asks to come again later.
"""


class NotForwarded(PagereeveError):
    """The centre joined nothing of a batch; ``has`` is what it holds, where it said so."""

    def __init__(self, trouble: Trouble, problem: str, has: int | None = None, retry_after_s: float = 0.0) -> None:
        super().__init__(problem)
        self.trouble: Trouble = trouble
        self.problem = problem
        self.has = has
        self.retry_after_s = retry_after_s


@dataclass(frozen=True, slots=True)
class CentreAnswer:
    """What a centre holds of the origin, after its commit: all up to the place ``has``, under which ``last`` is sealed
    (None where it has none). ``seqs`` are the numbers of the latest of the batch's timelines.
    """

    has: int
    last: SealedPlace | None = None
    seqs: Mapping[str, int] = field(default_factory=dict)


class Centre(Protocol):
    @property
    def name(self) -> str: ...

    async def forward(self, batch: bytes) -> CentreAnswer:
        """Returns once the centre has committed what was new in it. Raises NotForwarded. It is bounded in time."""
        ...

    async def close(self) -> None: ...


class SealedFacts(SealHeads, Protocol):
    """The site's own side: what is sealed, as it goes out."""

    async def last_position(self) -> int: ...

    async def sealed_bodies(self, after: int, limit: int) -> Sequence[SealedBody]:
        """Of the places ``after`` + 1, + 2 ..., in order and without a gap. Of one whose row is gone, or no text, or
        that a site forwarded to here, the body is None. Raises ArchiveUnread for one in an archive whose file is not
        there, JournalUnavailable where a link is none.
        """
        ...

    async def sealed_place(self, place: int) -> SealedPlace | None:
        """None where the seal has no such place."""
        ...

    async def link_before(self, timeline: str, seq: int) -> bytes | None:
        """Of the latest fact of that timeline before that number; None where there is none."""
        ...
