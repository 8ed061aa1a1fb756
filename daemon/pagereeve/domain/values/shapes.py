"""What a codec's members look like in JSON, as data: from it schemas are made (domain/facts/schema/)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TextShape:
    """At most ``longest`` characters; where it is needed, at least one. ``words`` are those that mean something."""

    longest: int
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WholeShape:
    """A whole number, both bounds allowed."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class WordShape:
    """One of ``words``, and nothing else."""

    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InstantShape:
    """RFC 3339 text."""


@dataclass(frozen=True, slots=True)
class TruthShape:
    """true or false."""


@dataclass(frozen=True, slots=True)
class ListShape:
    of: Shape
    most: int


@dataclass(frozen=True, slots=True)
class MapShape:
    """An object whose members' names are free; ``most`` is None where another member bounds their number.

    ``null``: a value may be null, which is as if its member were absent.
    """

    of: Shape
    most: int | None = None
    null: bool = False


@dataclass(frozen=True, slots=True)
class MemberShape:
    """``needed``: it must be there. ``null``: it may be null, which is as if it were absent."""

    name: str
    shape: Shape
    needed: bool
    null: bool


@dataclass(frozen=True, slots=True)
class ObjectShape:
    """The object of a class. ``checked`` are the classes whose members must fit one another, its own or spread ones."""

    made: type
    members: tuple[MemberShape, ...]
    checked: tuple[type, ...] = ()


Shape = TextShape | WholeShape | WordShape | InstantShape | TruthShape | ListShape | MapShape | ObjectShape
