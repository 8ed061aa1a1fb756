"""The JSON of what is said of persons."""

from __future__ import annotations

import re
from typing import Any, Final, get_args

from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord
from pagereeve.domain.values.codec import INSTANT, TEXT, Codec, Member, choice

PERSON_ID: Final = re.compile(r"p-[0-9a-f]{12}")


def _named(fact: PersonNamed) -> tuple[str, str] | None:
    if PERSON_ID.fullmatch(fact.person) is None:
        return "person", "is no id of a person; it is p- and 12 hexadecimal digits"
    if fact.until_us is not None and fact.until_us < fact.at_us:
        return "until", "is before at; a text is somebody's from an instant until a later one"
    return None


def _two(fact: PeopleMerged | MergeUndone) -> tuple[str, str] | None:
    for name, value in (("person", fact.person), ("into", fact.into)):
        if PERSON_ID.fullmatch(value) is None:
            return name, "is no id of a person; it is p- and 12 hexadecimal digits"
    return ("into", "is the same person") if fact.person == fact.into else None


_AT: Final = Member("at_us", INSTANT, "at")
_OF_SITE: Final = ("printer",)
_TWO: Final = (*(Member(name, TEXT) for name in ("person", "into", "by", "reason")),)

PEOPLE_CODECS: Final[dict[str, Codec[Any]]] = {
    "person-named": Codec(
        PersonNamed,
        _AT,
        Member("person", TEXT),
        Member("word", choice(get_args(PersonWord))),
        Member("text", TEXT),
        Member("known_us", INSTANT, "known"),
        Member("by", TEXT),
        Member("until_us", INSTANT, "until", default=None),
        outside=_OF_SITE,
        check=_named,
    ),
    "people-merged": Codec(PeopleMerged, _AT, *_TWO, outside=_OF_SITE, check=_two),
    "merge-undone": Codec(MergeUndone, _AT, *_TWO, outside=_OF_SITE, check=_two),
}
