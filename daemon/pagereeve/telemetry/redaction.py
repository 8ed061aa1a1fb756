"""What must not reach a log: secrets by their name and by their value, badge numbers, titles, raw bytes."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from itertools import islice
from typing import Any, Final

from structlog.typing import EventDict, WrappedLogger

MASK: Final = "***"
DEPTH_MAX: Final = 6
ITEMS_MAX: Final = 100
TEXT_MAX: Final = 10_000
# A shorter value would blank out ordinary words and figures.
VALUE_MIN: Final = 4
PREFIX_MIN: Final = 3
COMMON_WORDS: Final = frozenset({"public", "private"})

_SECRET_NAME: Final = re.compile(
    r"(^|[_.-])(community|badge|badge_?numbers?|tokens?|keys?|passwords?|passphrase|secrets?|authorization|title)$",
    re.IGNORECASE,
)


class Redactor:
    """A structlog processor. ``secrets`` are values to mask wherever they occur, in text or hex."""

    def __init__(self, secrets: Iterable[str] = ()) -> None:
        self._known: set[str] = set()
        self._values: re.Pattern[str] | None = None
        self.learn(secrets)

    def learn(self, secrets: Iterable[str]) -> None:
        """Mask these too, from the next line on; what was known stays, as lines about it may still come."""
        self._known |= {value for value in secrets if len(value) >= VALUE_MIN and value not in COMMON_WORDS}
        self._values = _pattern_of(self._known)

    def __call__(self, _logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
        return {name: self._member(name, value, 0) for name, value in event.items()}

    def text(self, text: str) -> str:
        """``text`` without secrets' values, and bounded."""
        clean = text if self._values is None else self._values.sub(MASK, text)
        return clean if len(clean) <= TEXT_MAX else f"{clean[:TEXT_MAX]}… ({len(clean)} characters)"

    def _member(self, name: str, value: Any, depth: int) -> Any:
        # structlog's own members (exc_info, _record …) have to arrive as they are.
        if name.startswith("_") or name in {"exc_info", "stack_info"}:
            return value
        return MASK if _SECRET_NAME.search(name) and value not in (None, "") else self._value(value, depth)

    def _value(self, value: Any, depth: int) -> Any:
        if value is None or isinstance(value, bool | int | float):
            return value
        if isinstance(value, bytes | bytearray | memoryview):
            return f"<{len(value)} bytes>"
        if isinstance(value, Mapping | list | tuple | set | frozenset):
            return self._items(value, depth + 1) if depth < DEPTH_MAX else "…"
        return self.text(str(value) if isinstance(value, str | BaseException) else repr(value))

    def _items(self, value: Mapping[Any, Any] | Collection[Any], depth: int) -> Any:
        if isinstance(value, Mapping):
            members = islice(value.items(), ITEMS_MAX)
            return {str(name): self._member(str(name), inner, depth) for name, inner in members}
        return [self._value(inner, depth) for inner in islice(value, ITEMS_MAX)]


def _pattern_of(values: set[str]) -> re.Pattern[str] | None:
    """Each value in text and in hex, whole; and cut short where its beginning can be no ordinary word."""
    forms: list[str] = []
    for value in sorted(values, key=len, reverse=True):
        head = value[:PREFIX_MIN]
        mixed = not head.isalpha() and any(letter.isalpha() for letter in head)
        forms.append(_begun([re.escape(letter) for letter in value], mixed=mixed))
        forms.append(_begun([rf"{octet:02x}[\s:,]?" for octet in value.encode()], mixed=mixed))
    return re.compile("|".join(forms), re.IGNORECASE) if forms else None


def _begun(pieces: list[str], *, mixed: bool) -> str:
    """A pattern for the pieces, or for the first of them and as many as follow."""
    least = PREFIX_MIN if mixed else len(pieces)
    rest = ""
    for piece in reversed(pieces[least:]):
        rest = f"(?:{piece}{rest})?"
    return "".join(pieces[:least]) + rest
