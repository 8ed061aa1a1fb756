"""A table of what SNMP agents do wrong: each habit is a change of the answer that a good agent would give.

A habit changes answers to GET, to GETNEXT or to both, as the agent that has it says (``hostile_agent.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.simulator.snmp.light_agent import END_OF_MIB_VIEW, GETNEXT, NULL, oid_content

TOO_BIG: Final = 1
NO_SUCH_NAME: Final = 2
GEN_ERR: Final = 5
AUTHORIZATION_ERROR: Final = 16
# No standard knows it.
ODD_STATUS: Final = 99
UP_TIME: Final = oid_content((1, 3, 6, 1, 2, 1, 1, 3, 0))
PRINTER_STATUS: Final = oid_content((1, 3, 6, 1, 2, 1, 25, 3, 5, 1, 1))
EXCEPTIONS: Final = frozenset({b"\x80\x00", b"\x81\x00", b"\x82\x00"})

Binding = tuple[bytes, bytes]


@dataclass(frozen=True, slots=True)
class Asked:
    """``version`` as in the message (0, 1, 3), ``kind`` the PDU's tag, ``nth`` how many came before."""

    version: int
    kind: int
    names: tuple[bytes, ...]
    nth: int


@dataclass(frozen=True, slots=True)
class Reply:
    """``bindings`` are encoded names and values. The datagram is cut at ``cut_bytes``, lost beyond ``lost_bytes``, and
    sent ``copies`` times.
    """

    bindings: tuple[Binding, ...]
    status: int = 0
    index: int = 0
    cut_bytes: int | None = None
    lost_bytes: int | None = None
    copies: int = 1

    @property
    def missing(self) -> tuple[int, ...]:
        """Places (from 1) of what the agent lacks."""
        return tuple(place for place, (_, value) in enumerate(self.bindings, 1) if value in EXCEPTIONS)


Change = Callable[[Asked, Reply], Reply | None]


def _refused(asked: Asked, status: int, index: int) -> Reply:
    return Reply(tuple((name, NULL) for name in asked.names), status, index)


def _beyond(names: int, instead: Callable[[Asked, Reply], Reply | None]) -> Change:
    """Another answer to more names than that at once."""
    return lambda asked, reply: instead(asked, reply) if len(asked.names) > names else reply


def _missing(status: int, index: int | None) -> Change:
    """An error for what is missing; ``index`` is what it blames, None for the right place."""

    def change(asked: Asked, reply: Reply) -> Reply:
        if not reply.missing:
            return reply
        return _refused(asked, status, reply.missing[0] if index is None else index)

    return change


def _about(column: bytes, status: int) -> Change:
    """An error with the right index for whatever names the column."""

    def change(asked: Asked, reply: Reply) -> Reply:
        place = next((at for at, name in enumerate(asked.names, 1) if name.startswith(column)), 0)
        return _refused(asked, status, place) if place else reply

    return change


def _silent(_: Asked, __: Reply) -> None:
    return None


def _too_big(_: Asked, __: Reply) -> Reply:
    return Reply((), TOO_BIG, 0)


def _gen_err(asked: Asked, _: Reply) -> Reply:
    return _refused(asked, GEN_ERR, 0)


def _first(count: int) -> Change:
    return lambda _, reply: replace(reply, bindings=reply.bindings[:count])


def _left_out(_: Asked, reply: Reply) -> Reply:
    return replace(reply, bindings=tuple(one for one in reply.bindings if one[1] not in EXCEPTIONS))


def _all_end(asked: Asked, _: Reply) -> Reply:
    return Reply(tuple((name, END_OF_MIB_VIEW) for name in asked.names))


def _other_names(_: Asked, reply: Reply) -> Reply:
    return replace(reply, bindings=tuple((b"\x2b\x06\x01\x04\x01\x86\x8d\x1f", value) for _, value in reply.bindings))


def _same_names(asked: Asked, reply: Reply) -> Reply:
    """GETNEXT answered with the name that was asked for: a walk that never moves."""
    values = [value for _, value in reply.bindings]
    return replace(reply, bindings=tuple(zip(asked.names, values, strict=True)))


def _nulls(_: Asked, reply: Reply) -> Reply:
    return replace(
        reply, bindings=tuple((name, NULL if value in EXCEPTIONS else value) for name, value in reply.bindings)
    )


def _uptime(value: Callable[[Asked], bytes]) -> Change:
    def change(asked: Asked, reply: Reply) -> Reply:
        return replace(
            reply, bindings=tuple((name, value(asked) if name == UP_TIME else old) for name, old in reply.bindings)
        )

    return change


def _ticks(value: int) -> bytes:
    return bytes((0x43, 4)) + value.to_bytes(4, "big")


HABITS: Final[Mapping[str, Change]] = {
    "good": lambda _, reply: reply,
    "too-big-beyond-3": _beyond(3, _too_big),
    "too-big-beyond-1": _beyond(1, _too_big),
    "too-big-always": _too_big,
    "gen-err-beyond-1": _beyond(1, _gen_err),
    "gen-err-beyond-5": _beyond(5, _gen_err),
    "gen-err-always": _gen_err,
    "gen-err-for-missing": _missing(GEN_ERR, None),
    "gen-err-for-missing-index-0": _missing(GEN_ERR, 0),
    "no-such-name-for-missing": _missing(NO_SUCH_NAME, None),
    "no-such-name-for-missing-index-0": _missing(NO_SUCH_NAME, 0),
    "no-such-name-for-missing-index-1": _missing(NO_SUCH_NAME, 1),
    "odd-status-for-missing-index-99": _missing(ODD_STATUS, 99),
    "odd-status-for-missing-index-minus-1": _missing(ODD_STATUS, -1),
    "authorization-error-for-state": _about(PRINTER_STATUS, AUTHORIZATION_ERROR),
    "two-values": _first(2),
    "one-value": _first(1),
    "no-values": _first(0),
    "leaves-missing-out": _left_out,
    "silent": _silent,
    "silent-beyond-1": _beyond(1, _silent),
    "silent-beyond-2": _beyond(2, _silent),
    "silent-about-missing": lambda _, reply: None if reply.missing else reply,
    "ends-all-where-one-ends": lambda asked, reply: _all_end(asked, reply) if reply.missing else reply,
    "ends-all-always": _all_end,
    "backwards": lambda _, reply: replace(reply, bindings=reply.bindings[::-1]),
    "one-more-value": lambda _, reply: replace(reply, bindings=(*reply.bindings, *reply.bindings[:1])),
    "first-value-for-all": lambda _, reply: replace(reply, bindings=reply.bindings[:1] * len(reply.bindings)),
    "other-names": _other_names,
    "walk-stands-still": lambda asked, reply: _same_names(asked, reply) if asked.kind == GETNEXT else reply,
    "null-for-missing": _nulls,
    "each-answer-twice": lambda _, reply: replace(reply, copies=2),
    "cut-at-150-bytes": lambda _, reply: replace(reply, cut_bytes=150),
    "lost-beyond-1400-bytes": lambda _, reply: replace(reply, lost_bytes=1400),
    "uptime-goes-back": _uptime(lambda asked: _ticks(900_000 - 100 * asked.nth)),
    "uptime-missing": _uptime(lambda _: b"\x81\x00"),
}
