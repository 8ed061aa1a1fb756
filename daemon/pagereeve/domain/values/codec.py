"""Dataclasses as JSON objects, both ways, from one table: each member's attribute, its name in JSON, and its kind.

    ORIGIN = Codec(Origin, Member("source", TEXT), Member("at_us", INSTANT, "at"), Member("clock", MARK, default=""))

A codec is defined beside its class. That its rows and the class name the same attributes is checked when it is made, at
import; what goes through it is looked up in no table then.

There are two ways to read. The careful one (``Codec.read``, over ``Fields``) says what is wrong and where, and can go
on past it. The quick one (``Codec.quick``) takes what the codec itself surely wrote, as the bodies in the journal are,
and raises NotPlain for all else: whoever asks for it reads that carefully then. Both give the same value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import fields as dataclass_fields
from typing import Any, Final, Generic, TypeVar

from pagereeve.domain.values.canonical import SAFE_INTEGER
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import errors_of, joined
from pagereeve.domain.values.fields import TEXT_MAX, UNPRINTED, Fields
from pagereeve.domain.values.instants import from_own_text, to_text
from pagereeve.domain.values.records import dataclass
from pagereeve.domain.values.shapes import (
    InstantShape,
    ListShape,
    MemberShape,
    ObjectShape,
    Shape,
    TextShape,
    TruthShape,
    WholeShape,
    WordShape,
)

FIGURE_MAX: Final = SAFE_INTEGER

Made = TypeVar("Made")
Value = TypeVar("Value")
Word = TypeVar("Word", bound=str)


class NotPlain(Exception):
    """The quick way can't tell what this says, or whether it is right; the careful one can."""


class Kind(Generic[Value]):
    """How one member's value is read and written. ``need`` and ``take`` raise BadFact with the member's path.

    ``need`` refuses what is absent or null, ``take`` gives None for it. ``put`` is None where JSON has the same value.
    ``shape`` says what it looks like, for schemas; None where no schema has it. ``quick`` gives the value of what JSON
    has there, if it is plain; else it raises NotPlain, LookupError, TypeError or ValueError. Without it there is no
    quick way.
    """

    def __init__(
        self,
        need: Callable[[Fields, str], Value],
        take: Callable[[Fields, str], Value | None],
        put: Callable[[Any], Any] | None = None,
        shape: Callable[[], Shape] | None = None,
        quick: Callable[[Any], Value] | None = None,
    ) -> None:
        self.need, self.take, self.put, self.shape, self.quick = need, take, put, shape, quick


_UNSET: Final[Any] = object()
"""Equal to no value of a member: there is no default."""


@dataclass(frozen=True, slots=True)
class Member:
    """One attribute as one member of the object.

    With a ``default`` it may be absent, and is left out where it is the default unless it is ``written`` all the same.
    ``beside`` names an attribute in an earlier row: where that one is its default this one is absent, else it must
    be there.
    """

    attribute: str
    kind: Kind[Any]
    name: str = ""
    default: Any = _UNSET
    written: bool = False
    beside: str = ""


class ByHand(Generic[Value]):
    """A value as several members of an object where no table says how: two functions, as a codec has them."""

    def __init__(
        self,
        write: Callable[[Value], dict[str, Any]],
        take: Callable[[Fields], Value],
        shape: Callable[[], ObjectShape] | None = None,
        quick_take: Callable[[dict[str, Any]], Value] | None = None,
    ) -> None:
        self.write, self.take, self.shape, self.quick_take = write, take, shape, quick_take

    def add_to(self, members: dict[str, Any], value: Value, /) -> None:
        members.update(self.write(value))


@dataclass(frozen=True, slots=True)
class Spread:
    """One attribute whose members lie in the parent's own object."""

    attribute: str
    part: Codec[Any] | ByHand[Any]


Row = Member | Spread
Check = Callable[[Made], "tuple[str, str] | None"]


class Codec(Generic[Made]):
    """Between a dataclass and its JSON object.

    ``outside`` are attributes that come from elsewhere: whoever reads gives them, and nothing of them is written.
    ``check`` sees the whole: (member, what is wrong with it), or None.
    """

    def __init__(
        self, made: type[Made], *rows: Row, outside: Iterable[str] = (), check: Check[Made] | None = None
    ) -> None:
        named = sorted([*(row.attribute for row in rows), *outside])
        known = sorted(field.name for field in dataclass_fields(made))  # type: ignore[arg-type]
        if named != known:
            raise TypeError(f"the codec of {made.__name__} has rows for {named}, the class has {known}")
        self.made = made
        self._check = check
        self._rows = rows
        self._puts: list[tuple[str, str | None, Any, Any, bool, str | None, Any]] = [
            (row.attribute, *_put(row), *_beside(row, rows)) for row in rows
        ]
        self._gets = [(row.attribute, _get(row), *_beside(row, rows)) for row in rows]
        self._names = [row.name or row.attribute for row in rows if isinstance(row, Member)]
        self._quick = _quick_rows(made, rows)

    def shape(self) -> ObjectShape:
        """What the object looks like. Raises TypeError where a row has no shape."""
        members, checked = list[MemberShape](), list[type]()
        for row in self._rows:
            part = _shape_of(row)
            if isinstance(row, Spread) and isinstance(part, ObjectShape):
                members += part.members
                checked += part.checked
            elif isinstance(row, Member):
                needed = row.default is _UNSET
                members.append(MemberShape(row.name or row.attribute, part, needed, null=not needed))
        own = () if self._check is None else (self.made,)
        return ObjectShape(self.made, tuple(members), (*own, *checked))

    def write(self, value: Made, /) -> dict[str, Any]:
        members: dict[str, Any] = {}
        self.add_to(members, value)
        return members

    def add_to(self, members: dict[str, Any], value: Made, /) -> None:
        """Write into an object that holds other members, too."""
        for attribute, name, put, default, compared, beside, absent in self._puts:
            one = getattr(value, attribute)
            if beside is not None:
                if getattr(value, beside) == absent:
                    continue
            elif one is default or (compared and one == default):
                continue
            if name is None:
                put(members, one)
            elif put is None or one is None:
                members[name] = one
            else:
                members[name] = put(one)

    def take(self, fields: Fields, /, **outside: Any) -> Made:
        """The object's members; others may be left for somebody else. Raises BadFact.

        What is given in ``outside`` for an attribute that has a row gives way to it. Where ``fields`` collects faults,
        a bad member that may be absent counts as absent, and BadFact is raised once all members were looked at.
        """
        values, needed = outside, list[BadFact]()
        for attribute, (get, default), beside, absent in self._gets:
            try:
                values[attribute] = default if beside is not None and values[beside] == absent else get(fields)
            except BadFact as error:
                if fields.faults is None:
                    raise
                if default is _UNSET:
                    needed += errors_of(error)
                else:
                    fields.faults.drop(error)
                values[attribute] = default
        if needed:
            raise joined(needed)
        value = self.made(**values)
        if self._check is not None:
            wrong = self._check(value)
            if wrong is not None:
                raise BadFact(fields.path(wrong[0]), wrong[1])
        return value

    def read(self, fields: Fields, /, **outside: Any) -> Made:
        """As ``take``, of a whole object: members that nobody knows are refused. Raises BadFact."""
        try:
            value = self.take(fields, **outside)
        except BadFact:
            if fields.faults is not None:
                fields.finish(self._names)
            raise
        fields.finish(self._names)
        return value

    def quick_take(self, left: dict[str, Any], /, **outside: Any) -> Made:
        """As ``take``, of plain members, which are taken out of ``left``. Raises as ``Kind.quick`` does."""
        if self._quick is None:
            raise NotPlain
        values = []
        for attribute, name, quick, default in self._quick:
            if quick is None:
                values.append(outside[attribute])
            elif name is None:
                values.append(quick(left))
            elif (value := left.pop(name, _UNSET)) is not _UNSET:
                values.append(quick(value))
            elif default is not _UNSET:
                values.append(default)
            else:
                raise NotPlain
        made = self.made(*values)
        if self._check is not None and self._check(made) is not None:
            raise NotPlain
        return made

    def quick(self, members: dict[str, Any], /, **outside: Any) -> Made:
        """As ``read``, of a plain whole object, which it uses up. Raises as ``Kind.quick`` does."""
        made = self.quick_take(members, **outside)
        if members:
            raise NotPlain
        return made


QuickRow = tuple[str, str | None, Callable[[Any], Any] | None, Any]


def _quick_rows(made: type, rows: Iterable[Row]) -> list[QuickRow] | None:
    """In order of the class's fields: (attribute, member or None where it is spread, how it is read quickly or None
    where it comes from outside, what it is where it is absent). None where a row has no quick way.
    """
    by_attribute = {row.attribute: row for row in rows}
    found: list[QuickRow] = []
    for field in dataclass_fields(made):
        row = by_attribute.get(field.name)
        if row is None:
            found.append((field.name, None, None, _UNSET))
            continue
        quick = row.part.quick_take if isinstance(row, Spread) else row.kind.quick
        if quick is None or (isinstance(row, Member) and row.beside):
            return None
        name, default = (None, _UNSET) if isinstance(row, Spread) else (row.name or row.attribute, row.default)
        found.append((row.attribute, name, quick, default))
    return found


def _shape_of(row: Row) -> Shape:
    shape = row.part.shape if isinstance(row, Spread) else row.kind.shape
    if shape is None or (isinstance(row, Member) and row.beside):
        raise TypeError(f"no shape says what {row.attribute} looks like in JSON")
    return shape()


def _put(row: Row) -> tuple[str | None, Callable[..., Any] | None, Any, bool]:
    """(name or None where it is spread, how it is written, what is left out, whether equals of that are, too)."""
    if isinstance(row, Spread):
        return (None, row.part.add_to, _UNSET, False)
    left_out = _UNSET if row.written else row.default
    return (row.name or row.attribute, row.kind.put, left_out, left_out is not None and left_out is not _UNSET)


def _get(row: Row) -> tuple[Callable[[Fields], Any], Any]:
    """(how it is read, what it is where it may not be there)."""
    if isinstance(row, Spread):
        return (row.part.take, _UNSET)
    name, need, take = row.name or row.attribute, row.kind.need, row.kind.take
    default: Any = row.default
    if row.beside or default is _UNSET:
        return (lambda fields: need(fields, name), default)
    if default is None:
        return (lambda fields: take(fields, name), default)

    def get(fields: Fields) -> Any:
        value = take(fields, name)
        return default if value is None else value

    return (get, default)


def _beside(row: Row, rows: Iterable[Row]) -> tuple[str | None, Any]:
    """(the attribute that it goes with or None, and the value of that one by which this one is absent)."""
    if isinstance(row, Spread) or not row.beside:
        return (None, None)
    for other in rows:
        if isinstance(other, Member) and other.attribute == row.beside and _UNSET not in (other.default, row.default):
            return (other.attribute, other.default)
        if other is row:
            break
    raise TypeError(f"{row.attribute} stands beside {row.beside}: an earlier row is needed, and a default of both")


# Kinds


def text(longest: int = TEXT_MAX) -> Kind[str]:
    """Needed, it isn't empty."""

    def quick(value: Any) -> str:
        # What can be printed holds no control and no surrogate; of the rest, some does neither.
        if type(value) is str and 0 < len(value) <= longest and (value.isprintable() or not UNPRINTED.search(value)):
            return value
        raise NotPlain

    return Kind(
        lambda fields, name: fields.text(name, longest),
        lambda fields, name: fields.optional_text(name, longest),
        shape=lambda: TextShape(longest),
        quick=quick,
    )


def integer(least: int, most: int) -> Kind[int]:
    def quick(value: Any) -> int:
        if type(value) is int and least <= value <= most:
            return value
        raise NotPlain

    return Kind(
        lambda fields, name: fields.integer(name, least, most),
        lambda fields, name: fields.optional_integer(name, least, most),
        shape=lambda: WholeShape(least, most),
        quick=quick,
    )


def choice(choices: Iterable[Word], put: Callable[[Any], Any] | None = None) -> Kind[Word]:
    known = {str(word): word for word in choices}

    def take(fields: Fields, name: str) -> Word | None:
        said = fields.optional_text(name)
        if said is None:
            return None
        word = known.get(said)
        if word is None:
            raise fields.no_choice(name, said, known)
        return word

    def need(fields: Fields, name: str) -> Word:
        word = take(fields, name)
        if word is None:
            raise BadFact(fields.path(name), f"is missing; one of {', '.join(known)} is needed")
        return word

    return Kind(need, take, put, lambda: WordShape(tuple(known)), known.__getitem__)


def texts(most: int, longest: int = TEXT_MAX) -> Kind[tuple[str, ...]]:
    def read(fields: Fields, name: str) -> tuple[str, ...]:
        return fields.texts(name, most, longest)

    return Kind(read, read, list, lambda: ListShape(TextShape(longest), most), _quick_list(text(longest), most))


def choices(words: Iterable[str], most: int) -> Kind[tuple[str, ...]]:
    """Texts, each of them one of ``words``."""
    known = frozenset(words)

    def read(fields: Fields, name: str) -> tuple[str, ...]:
        found = fields.texts(name, most)
        for word in found:
            if word not in known:
                raise BadFact(fields.path(name), f"{word[:40]!r} is not known; known are {', '.join(sorted(known))}")
        return found

    return Kind(read, read, list)


def parsed(
    read: Callable[[Fields], Value],
    write: Callable[[Value], dict[str, Any]],
    shape: Callable[[], ObjectShape] | None = None,
    quick: Callable[[Any], Value] | None = None,
) -> Kind[Value]:
    """An object of its own, of which ``read`` takes every member."""

    def take(fields: Fields, name: str) -> Value | None:
        known = fields.optional_object(name)
        return None if known is None else read(known)

    return Kind(lambda fields, name: read(fields.object(name)), take, write, shape, quick)


def inner(codec: Codec[Made]) -> Kind[Made]:
    """An object of its own."""
    return parsed(codec.read, codec.write, codec.shape, codec.quick)


def placed(kind: Kind[Value], most: int) -> Kind[tuple[Value, ...]]:
    """A list as an object by place: ``{"0": ..., "1": ...}``."""

    def items(known: Fields) -> tuple[Value, ...]:
        names = known.names()
        if len(names) > most:
            raise BadFact(known.where, f"has {len(names)} members; {most} at most")
        places = [str(place) for place in range(len(names))]
        strange = set(names).difference(places)
        if strange:
            raise BadFact(known.path(min(strange)[:40]), f"is no place; 0 to {len(names) - 1} are needed")
        return tuple(kind.need(known, place) for place in places)

    def take(fields: Fields, name: str) -> tuple[Value, ...] | None:
        known = fields.optional_object(name)
        return None if known is None else items(known)

    def put(values: Iterable[Value]) -> dict[str, Any]:
        found = values if kind.put is None else map(kind.put, values)
        return {str(place): one for place, one in enumerate(found)}

    return Kind(lambda fields, name: items(fields.object(name)), take, put)


def listed(kind: Kind[Value], most: int) -> Kind[tuple[Value, ...]]:
    """A list of objects of one kind."""

    def take(fields: Fields, name: str) -> tuple[Value, ...] | None:
        known = fields.optional_list(name, most, "objects")
        return None if known is None else tuple(kind.need(known, place) for place in known.names())

    def need(fields: Fields, name: str) -> tuple[Value, ...]:
        found = take(fields, name)
        if found is None:
            raise BadFact(fields.path(name), f"is missing; a list of at most {most} objects is needed")
        return found

    def put(values: Iterable[Value]) -> list[Any]:
        return list(values if kind.put is None else map(kind.put, values))

    def shape() -> ListShape:
        if kind.shape is None:
            raise TypeError("no shape says what is listed")
        return ListShape(kind.shape(), most)

    return Kind(need, take, put, shape, _quick_list(kind, most))


def quick_of(kind: Kind[Value]) -> Callable[[Any], Value]:
    """Raises TypeError where the kind has no quick way."""
    if kind.quick is None:
        raise TypeError("there is no quick way to read this kind")
    return kind.quick


def _quick_list(kind: Kind[Value], most: int) -> Callable[[Any], tuple[Value, ...]] | None:
    of_each = kind.quick
    if of_each is None:
        return None

    def quick(values: Any) -> tuple[Value, ...]:
        if type(values) is list and len(values) <= most:
            return tuple(map(of_each, values))
        raise NotPlain

    return quick


def _bit(fields: Fields, name: str) -> bool | None:
    value = fields.optional_integer(name, 0, 1)
    return None if value is None else bool(value)


def _quick_truth(value: Any) -> bool:
    if type(value) is bool:
        return value
    raise NotPlain


TEXT: Final = text()
BIT: Final[Kind[bool]] = Kind(lambda fields, name: bool(fields.integer(name, 0, 1)), _bit, int)
"""True and false as 1 and 0."""
TRUTH: Final[Kind[bool]] = Kind(Fields.truth, Fields.optional_truth, shape=TruthShape, quick=_quick_truth)
INSTANT: Final[Kind[int]] = Kind(Fields.instant, Fields.optional_instant, to_text, InstantShape, from_own_text)
FIGURE: Final = integer(0, FIGURE_MAX)
