"""ports.broker.SiteBroker over NATS: the site's own server keeps its batches, and mirrors what the centre answers."""

from __future__ import annotations

from typing import Final

import nats.js.errors
from nats.js.api import RawStreamMsg

from pagereeve.domain.forwarding.message import (
    MessageId,
    facts_stream,
    facts_subject,
    heads_stream,
    heads_subject,
)
from pagereeve.ports.broker import BrokerTrouble, HeardAnswer
from pagereeve.ports.broker_settings import PublishSettings
from pagereeve.receivers.broker.answers import read_answer
from pagereeve.receivers.broker.connection import BrokerConnection, shown_by

MESSAGE_ID: Final = "Nats-Msg-Id"
HEADERS_BYTES: Final = 1_024
"""The server counts them among the payload."""
_NO_MESSAGE: Final = 10_037


class NatsSite:
    def __init__(self, settings: PublishSettings, connection: BrokerConnection) -> None:
        self._site = settings.site
        self._connection = connection

    @property
    def name(self) -> str:
        return self._connection.name

    async def publish(self, batch: bytes, message_id: MessageId) -> None:
        most_bytes = await self._connection.payload_max_bytes() - HEADERS_BYTES
        if len(batch) > most_bytes:
            problem = f"{self.name} takes {most_bytes} bytes at once, and this batch has {len(batch)}"
            raise BrokerTrouble("too-large", f"{problem}; raise max_payload there")
        async with self._connection.asked("was to keep a batch") as jetstream:
            await jetstream.publish(
                facts_subject(self._site),
                batch,
                stream=facts_stream(self._site),
                headers={MESSAGE_ID: str(message_id)},
            )

    async def latest(self) -> MessageId | None:
        what = "was asked for its latest batch"
        last = await self._last_of(facts_stream(self._site), facts_subject(self._site), what)
        return None if last is None else MessageId.parsed((last.headers or {}).get(MESSAGE_ID, ""))

    async def answer(self) -> HeardAnswer | None:
        what = "was asked for the centre's answer"
        last = await self._last_of(heads_stream(self._site), heads_subject(self._site), what)
        return None if last is None else read_answer(last.data or b"", self.name)

    async def _last_of(self, stream: str, subject: str, what: str) -> RawStreamMsg | None:
        async with self._connection.asked(f"{what} in {stream}") as jetstream:
            try:
                return await jetstream.get_last_msg(stream, subject)
            except nats.js.errors.NotFoundError as error:
                if error.err_code != _NO_MESSAGE:
                    raise
                return None

    async def close(self) -> None:
        await self._connection.close()


def make_site(settings: PublishSettings) -> NatsSite:
    """Raises NoSecret."""
    return NatsSite(settings, BrokerConnection(settings, shown_by(settings)))
