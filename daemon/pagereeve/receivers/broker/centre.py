"""ports.broker.CentreBroker over NATS: a durable pull consumer of each site's stream, which gives one batch after the
other and the next one only when it has heard what became of it (docs.nats.io, "Consumers").
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import nats.js.errors
from nats.aio.msg import Msg
from nats.js.api import AckPolicy, ConsumerConfig
from nats.js.client import JetStreamContext

from pagereeve.domain.forwarding.message import (
    MESSAGE_ID_MAX,
    facts_stream,
    facts_subject,
    heads_stream,
    heads_subject,
)
from pagereeve.ports.broker import BrokerTrouble, TakenBatch
from pagereeve.ports.broker_settings import CollectSettings
from pagereeve.receivers.broker.answers import answer_text
from pagereeve.receivers.broker.connection import BrokerConnection, Shown, shown_by
from pagereeve.receivers.broker.site import MESSAGE_ID

CONSUMER: Final = "pagereeve-centre"
TAKE_WITHIN_S: Final = 5.0
ACK_WAIT_S: Final = 30.0
"""After so long the server gives a batch again of which it heard nothing. One that is joined meanwhile adds nothing."""


class NatsBatch:
    """ports.broker.TakenBatch."""

    def __init__(self, message: Msg, subject: str, connection: BrokerConnection) -> None:
        self._message = message
        self._subject = subject
        self._connection = connection

    @property
    def is_of_site(self) -> bool:
        return self._message.subject == self._subject

    @property
    def body(self) -> bytes:
        return self._message.data

    @property
    def id(self) -> str:
        return (self._message.headers or {}).get(MESSAGE_ID, "")[:MESSAGE_ID_MAX]

    async def done(self) -> None:
        async with self._connection.asked("was told that a batch is held"):
            await self._message.ack_sync(timeout=self._connection.timeout_s)

    async def refuse(self) -> None:
        async with self._connection.asked("was told that a batch is refused"):
            await self._message.term()

    async def later(self, wait_s: float) -> None:
        async with self._connection.asked("was told that a batch is taken later"):
            await self._message.nak(delay=wait_s)


class NatsCentre:
    """``connection`` is this site's alone: where it is lost, only that one waits."""

    def __init__(self, site: str, connection: BrokerConnection) -> None:
        self._site = site
        self._connection = connection
        self._pulled: tuple[JetStreamContext.PullSubscription, object] | None = None

    @property
    def name(self) -> str:
        return self._connection.name

    @property
    def site(self) -> str:
        return self._site

    async def take(self) -> TakenBatch | None:
        try:
            async with self._connection.asked(f"was asked for a batch of {self._site}") as jetstream:
                return await self._next(await self._subscribed(jetstream))
        except BrokerTrouble:
            # A consumer that is gone, too: it is made anew.
            await self.close()
            raise

    async def _next(self, pulled: JetStreamContext.PullSubscription) -> TakenBatch | None:
        try:
            (message,) = await pulled.fetch(1, timeout=TAKE_WITHIN_S)
        except TimeoutError:
            if self._connection.is_forbidden:
                raise
            return None
        return NatsBatch(message, facts_subject(self._site), self._connection)

    async def answer(self, message_id: str, members: Mapping[str, Any]) -> None:
        text = answer_text(message_id, members)
        async with self._connection.asked(f"was to keep the answer to {self._site}") as jetstream:
            await jetstream.publish(heads_subject(self._site), text, stream=heads_stream(self._site))

    async def close(self) -> None:
        self._pulled = None
        await self._connection.close()

    async def _subscribed(self, jetstream: JetStreamContext) -> JetStreamContext.PullSubscription:
        """Once for each connection. A consumer that is there is taken as it is: the server's operator may make it."""
        if self._pulled is not None and self._pulled[1] is jetstream._nc:  # noqa: SLF001 - it tells by nothing else
            return self._pulled[0]
        stream = facts_stream(self._site)
        try:
            await jetstream.consumer_info(stream, CONSUMER)
        except nats.js.errors.NotFoundError:
            config = ConsumerConfig(
                name=CONSUMER,
                durable_name=CONSUMER,
                ack_policy=AckPolicy.EXPLICIT,
                ack_wait=ACK_WAIT_S,
                max_ack_pending=1,
            )
            await jetstream.add_consumer(stream, config)
        pulled = await jetstream.pull_subscribe_bind(consumer=CONSUMER, stream=stream)
        self._pulled = pulled, jetstream._nc  # noqa: SLF001 - as above
        return pulled


def make_centres(settings: CollectSettings) -> list[NatsCentre]:
    """One for each site. Raises NoSecret."""
    shown: Shown = shown_by(settings)
    return [NatsCentre(site, BrokerConnection(settings, shown)) for site in settings.sites]
