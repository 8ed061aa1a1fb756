"""Columns whose stored form is smaller than what the program sees (store/records/body_forms.py, digest_forms.py)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from sqlalchemy import ColumnElement, Dialect, Function, Text, TypeDecorator, func

from pagereeve.store.records.body_forms import packed_body, unpacked_body
from pagereeve.store.records.digest_forms import (
    packed_digest,
    packed_link,
    packed_openings,
    unpacked_digest,
    unpacked_link,
    unpacked_openings,
)
from pagereeve.store.records.kind_forms import short_kind, whole_kind

FACT_TEXT: Final = "fact_text"
"""The SQL function, registered with each connection, that gives a stored body's text to whatever looks into it."""


class Packed(TypeDecorator[str]):
    """Text in both directions, stored as ``pack`` says.

    A column of text takes bytes as they are (sqlite.org/datatype3.html, section 3). PostgreSQL's takes none: there it
    is stored as text.
    """

    impl = Text
    cache_ok = True

    def __init__(self, pack: Callable[[Any], Any], unpack: Callable[[Any], Any]) -> None:
        super().__init__()
        self.pack = pack
        self.unpack = unpack

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], Any] | None:
        """As ``process_bind_param``, without a look at the database for each value."""
        return self._binding(dialect)

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:
        return self._binding(dialect)(value)

    def _binding(self, dialect: Dialect) -> Callable[[Any], Any]:
        """Both take a value in either form."""
        return self.unpack if dialect.name == "postgresql" else self.pack

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:  # noqa: ARG002 - SQLAlchemy's
        return self.unpack(value)


def _packed_if_any(text: str | bytes | None) -> str | bytes | None:
    return None if text is None else packed_body(text)


class Kind(TypeDecorator[str]):
    """A fact's kind, stored as records/kind_forms.py says, in every database."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:  # noqa: ARG002 - SQLAlchemy's
        return short_kind(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:  # noqa: ARG002 - SQLAlchemy's
        return whole_kind(value)


BODY: Final = Packed(packed_body, unpacked_body)
BODY_IF_ANY: Final = Packed(_packed_if_any, unpacked_body)
DIGEST: Final = Packed(packed_digest, unpacked_digest)
LINK: Final = Packed(packed_link, unpacked_link)
OPENINGS: Final = Packed(packed_openings, unpacked_openings)


def readable(body: ColumnElement[str]) -> Function[str]:
    """A stored body as text within a statement, for what looks into it."""
    text: Function[str] = getattr(func, FACT_TEXT)(body, type_=Text)
    return text
