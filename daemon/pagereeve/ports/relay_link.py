"""What the relay and the daemon say to one another on their local socket: one JSON object a line.

The relay greets whoever connects. Who answers with ``Take`` gets the lines of the relays named there, the oldest first,
and at most ``window`` of them that are not acknowledged; anybody else has seen how the relay is. A line is held until a
``Done`` names its number. Whoever takes last is the one who gets lines: what an earlier one did not acknowledge comes
again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from pagereeve.domain.values.errors import PagereeveError

PROTOCOL: Final = 1
MESSAGE_MAX_BYTES: Final = 512 * 1024
# sun_path of unix(7), without the zero byte that ends it.
SOCKET_PATH_MAX_BYTES: Final = 107

_MODEL: Final = ConfigDict(
    frozen=True, extra="forbid", hide_input_in_errors=True, ser_json_bytes="base64", val_json_bytes="base64"
)


class BadMessage(PagereeveError):
    """The other end said something that is none of these messages; holds nothing of it."""


class Greeting(BaseModel):
    """``boot`` names this run of the relay. ``relays`` are the addresses on which it really listens, by name.

    ``held`` are lines that nobody has acknowledged, by relay; ``taken`` says whether a daemon takes them now.
    """

    model_config = _MODEL
    type: Literal["greeting"] = "greeting"
    protocol: int = PROTOCOL
    boot: str
    relays: Mapping[str, tuple[str, int]]
    held: Mapping[str, int]
    taken: bool


class Take(BaseModel):
    model_config = _MODEL
    type: Literal["take"] = "take"
    relays: tuple[str, ...]
    window: Annotated[int, Field(ge=1, le=10_000)]


class RelayedLine(BaseModel):
    """A line without its terminator. (boot, ``connection``, ``line``) is one line, however often it is sent.

    ``at_us`` is when its last byte came, by the clock that both ends share (ports.clock.boot_time_us): the daemon
    dates it. No two lines of a connection share it. ``too_long`` says that ``content`` is only how the line began.
    ``number`` is for ``Done`` alone.
    """

    model_config = _MODEL
    type: Literal["line"] = "line"
    number: int
    relay: str
    peer: str
    connection: int
    line: int
    at_us: int
    content: bytes = Field(repr=False)
    too_long: bool = False


class Figures(BaseModel):
    """Counters of one relay since its boot; ``told`` is how far they were when a daemon last acknowledged them."""

    model_config = _MODEL
    type: Literal["figures"] = "figures"
    number: int
    relay: str
    connections_open: int
    totals: Mapping[str, int]
    told: Mapping[str, int]


class Done(BaseModel):
    model_config = _MODEL
    type: Literal["done"] = "done"
    numbers: Annotated[tuple[int, ...], Field(max_length=10_000)]


Message = Greeting | Take | RelayedLine | Figures | Done

_ANY: Final[TypeAdapter[Message]] = TypeAdapter(Annotated[Message, Field(discriminator="type")])


def encoded(message: Message) -> bytes:
    return message.model_dump_json().encode() + b"\n"


def decoded(line: bytes) -> Message:
    """Raises BadMessage."""
    try:
        return _ANY.validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(step) for step in first["loc"])
        raise BadMessage(f"the other end of the local socket sent no message: {place} {first['msg']}") from None
