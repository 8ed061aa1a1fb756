"""A broker keeps a site's batches until the centre takes them, and the centre's latest answer until the site reads it.

Of each site it has a stream of its own for either way. It may lose, double and mix up what it keeps: whoever is at its
ends sees that from the batches and answers alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from pagereeve.domain.forwarding.message import MessageId
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded


class BrokerTrouble(NotForwarded):
    """The broker itself did nothing, or perhaps something that it did not tell: it is away, or refuses."""


@dataclass(frozen=True, slots=True)
class HeardAnswer:
    """The centre's to the message ``id``: either it holds what ``answer`` says, or it refused the message as
    ``refused`` says.
    """

    id: MessageId
    answer: CentreAnswer | None = None
    refused: NotForwarded | None = field(default=None, compare=False)


class SiteBroker(Protocol):
    """The site's end. Each is bounded in time, and raises BrokerTrouble."""

    @property
    def name(self) -> str: ...

    async def publish(self, batch: bytes, message_id: MessageId) -> None:
        """Returns once the broker keeps it: the centre has not got it yet."""
        ...

    async def latest(self) -> MessageId | None:
        """Of the latest message that it keeps of this site, taken by the centre or not; None where that has none."""
        ...

    async def answer(self) -> HeardAnswer | None:
        """The latest that came, None where that is to no message of ours. Raises NotForwarded for what is none."""
        ...

    async def close(self) -> None: ...


class TakenBatch(Protocol):
    """One that the broker gave; it gives it again unless it hears what became of it. Each raises BrokerTrouble."""

    @property
    def is_of_site(self) -> bool:
        """Was it published under the site's own subject?"""
        ...

    @property
    def body(self) -> bytes: ...

    @property
    def id(self) -> str:
        """As the site wrote it, or whoever did; cut to MESSAGE_ID_MAX characters."""
        ...

    async def done(self) -> None:
        """Returns once the broker has heard it."""
        ...

    async def refuse(self) -> None:
        """It is never to be given again."""
        ...

    async def later(self, wait_s: float) -> None: ...


class CentreBroker(Protocol):
    """The centre's end, of one site. Each is bounded in time, and raises BrokerTrouble."""

    @property
    def name(self) -> str: ...

    @property
    def site(self) -> str: ...

    async def take(self) -> TakenBatch | None:
        """The next, in the order in which they were published; None where none came within a while."""
        ...

    async def answer(self, message_id: str, members: Mapping[str, Any]) -> None:
        """To the message of that id, in the place of the answer before."""
        ...

    async def close(self) -> None: ...
