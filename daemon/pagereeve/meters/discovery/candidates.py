"""What a profile's channels are at one printer: rows found by their labels, instances that answer."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.meters.discovery.channels import NO_MODULUS, PinnedChannel, Term
from pagereeve.meters.discovery.objects import instance
from pagereeve.meters.discovery.profile import Profile, ProfileChannel, ProfileRows
from pagereeve.meters.snmp.ber import OCTET_STRING, DecodeError, Varbind, number, oid_bytes, oid_label
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.names import Index
from pagereeve.meters.snmp.walking import Walk

ROWS_MAX: Final = 256
TERMS_MAX: Final = 24


@dataclass(slots=True)
class Offer:
    """The channels that a profile offers, in its order; ``growing`` are columns whose rows are added up."""

    channels: list[PinnedChannel] = field(default_factory=list)
    growing: set[bytes] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)


async def offered(conversation: Conversation, profile: Profile) -> Offer:
    """Every channel of the profile that this printer may have; a GET shows whether it answers."""
    offer = Offer()
    columns = _columns(profile)
    walk = await Walk(dict.fromkeys(columns, ROWS_MAX)).finish(conversation) if columns else None
    for column in () if walk is None else walk.cut:
        offer.notes.append(f"{oid_label(column)} has more than {ROWS_MAX} rows; the rest is not looked at")
    for channel in profile.channels:
        terms = _terms(channel, walk, offer)
        if not terms:
            continue
        if len(terms) > TERMS_MAX:
            offer.notes.append(f"{channel.name} would be a sum of {len(terms)} objects; {TERMS_MAX} at most are read")
            continue
        modulus = channel.modulus if len(terms) == 1 else NO_MODULUS
        why = f"profile {profile.name}: the maker's own object"
        unit, rests_on = channel.proven_unit, channel.rests_on
        pinned = PinnedChannel(channel.name, terms, unit, modulus, profile.name, why, rests_on)
        offer.channels.append(replace(pinned, term_modulus=channel.modulus))
    return offer


def _columns(profile: Profile) -> list[bytes]:
    rows = [channel.rows for channel in profile.channels if channel.rows is not None]
    return list(dict.fromkeys(oid_bytes(one.labels or one.values) for one in rows))


def _terms(channel: ProfileChannel, walk: Walk | None, offer: Offer) -> tuple[Term, ...]:
    if channel.records is not None:
        name = oid_bytes(channel.records.object)
        return tuple(Term(name, tag) for tag in channel.records.tags)
    if channel.rows is None or walk is None:
        return tuple(Term(oid_bytes(one)) for one in channel.objects)
    values = oid_bytes(channel.rows.values)
    rows = _rows(channel.rows, walk)
    if channel.rows.labels is None and rows:
        offer.growing.add(values)
    return tuple(Term(instance(values, *index)) for index in rows)


def _rows(rows: ProfileRows, walk: Walk) -> list[Index]:
    if rows.labels is None:
        return list(walk.found[oid_bytes(rows.values)])
    return [index for index, varbind in walk.found[oid_bytes(rows.labels)].items() if _is_called(varbind, rows.called)]


def _is_called(varbind: Varbind, called: tuple[str | int, ...]) -> bool:
    """Makers' texts come with a NUL or spaces at their end now and then."""
    if varbind.tag == OCTET_STRING:
        return varbind.content.rstrip(b"\0 ").decode("latin-1") in called
    try:
        return number(varbind) in called
    except DecodeError:
        return False
