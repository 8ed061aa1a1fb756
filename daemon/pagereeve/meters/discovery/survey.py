"""A printer looked over once: which of its objects are its channels, and why; or why its meter can't be used.

The standard Printer-MIB comes first, then the standard imaging counters (PWG 5106.3), then the maker's own objects. A
total whose unit nobody knows gives way to one whose unit is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.facts.reading import SilenceReason, Unit
from pagereeve.meters.discovery.candidates import Offer, offered
from pagereeve.meters.discovery.channels import ChannelFigure, PinnedChannel, figure_of, names_of
from pagereeve.meters.discovery.consistency import ConsistencyVerdict, ShownCount, check
from pagereeve.meters.discovery.imaging import imaging_channels
from pagereeve.meters.discovery.objects import (
    HR_DEVICE_DESCR,
    SYS_DESCR,
    SYS_OBJECT_ID,
    Pins,
    instance,
    life_count,
    pins_of,
)
from pagereeve.meters.discovery.profile import NO_PROFILE, Profile, Profiles
from pagereeve.meters.discovery.responders import prints
from pagereeve.meters.discovery.standard_objects import FoundRows, find_rows, something_of_printer_mib
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.discovery.units import unit_in, unit_label
from pagereeve.meters.snmp.ber import OCTET_STRING, DecodeError, Varbind, object_id
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.names import Index
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.ports.meter import MeterTarget


@dataclass(frozen=True, slots=True)
class Candidate:
    """A channel that the printer answers. ``unit`` is None where nobody knows it."""

    channel: PinnedChannel
    figure: ChannelFigure
    unit: Unit | None
    said: str


@dataclass(slots=True)
class Survey:
    """``chosen`` are the channels to read, the others of ``candidates`` are not.

    ``checks`` has the comparisons that cost a source its place, then those of the chosen ones; ``notes`` say what else
    was seen.
    """

    device: int
    row: Index
    object_id: str = ""
    model: str = ""
    description: str = ""
    profile: str = ""
    candidates: list[Candidate] = field(default_factory=list)
    chosen: list[Candidate] = field(default_factory=list)
    checks: list[ConsistencyVerdict] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    growing: set[bytes] = field(default_factory=set)

    def pins(self) -> Pins:
        channels = [candidate.channel for candidate in self.chosen]
        return pins_of(self.device, self.row, channels, profile=self.profile, growing=frozenset(self.growing))


async def survey(conversation: Conversation, target: MeterTarget, profiles: Profiles) -> Survey:
    """Find the meter. Raises ReadEnded: WRONG_RESPONDER for what is no printer, NO_METER without any count."""
    rows = await find_rows(conversation)
    row = rows.marker() or (1, 1)
    standard = [life_count(row)] if rows.markers else []
    device = next(iter(rows.devices), row[0] if rows.markers else 1)
    identity = (SYS_OBJECT_ID, SYS_DESCR, instance(HR_DEVICE_DESCR, device))
    values = (await conversation.get([*identity, *names_of(standard)])).values
    seen = _begun(device, row, rows, values)
    imaging = await imaging_channels(conversation)
    offer = await _maker(conversation, target, profiles, seen)
    seen.growing = offer.growing
    seen.notes += offer.notes
    others = [*imaging, *offer.channels]
    if others:
        values |= (await conversation.get(names_of(others))).values
    _take(seen, [*standard, *others], values, target)
    if not seen.chosen:
        await _refuse(conversation, rows, seen)
    return seen


def _begun(device: int, row: Index, rows: FoundRows, values: Mapping[bytes, Varbind]) -> Survey:
    """What the agent says of itself."""
    model, description = values.get(instance(HR_DEVICE_DESCR, device)), values.get(SYS_DESCR)
    seen = Survey(device, row, model=_text(model), description=_text(description))
    identity = values.get(SYS_OBJECT_ID)
    if identity is not None and not identity.absent:
        try:
            seen.object_id = object_id(identity)
        except DecodeError:
            seen.notes.append("its sysObjectID is no object id")
    if len(rows.markers) > 1:
        seen.notes.append(f"{len(rows.markers)} markers; only the first counts: rows are never added up")
    return seen


async def _maker(conversation: Conversation, target: MeterTarget, profiles: Profiles, seen: Survey) -> Offer:
    """The maker's own objects, by the profile that the registry names or the sysObjectID asks for."""
    if target.profile == NO_PROFILE:
        return Offer()
    if target.profile:
        named = profiles.named(target.profile)
        if named is None:
            seen.notes.append(f"no profile {target.profile!r}; known are {', '.join(profiles.names())}")
            return Offer()
        return await _offer(conversation, named, seen)
    if seen.object_id:
        fitting = profiles.of_object_id(seen.object_id)
        return Offer() if fitting is None else await _offer(conversation, fitting, seen)
    # Only an agent that doesn't say who it is gets asked for all makers' objects.
    return await _first_answering(conversation, profiles, seen)


async def _offer(conversation: Conversation, profile: Profile, seen: Survey) -> Offer:
    seen.profile = profile.name
    return await offered(conversation, profile)


async def _first_answering(conversation: Conversation, profiles: Profiles, seen: Survey) -> Offer:
    for profile in profiles:
        offer = await offered(conversation, profile)
        values = (await conversation.get(names_of(offer.channels))).values if offer.channels else {}
        if any(_figure(channel, values) for channel in offer.channels):
            seen.profile = profile.name
            seen.notes.append(f"it has no sysObjectID; profile {profile.name} is the one whose objects it answers")
            return offer
    return Offer()


def _text(varbind: Varbind | None) -> str:
    return printable(varbind.content) if varbind is not None and varbind.tag == OCTET_STRING else ""


def _take(
    seen: Survey, channels: Sequence[PinnedChannel], values: Mapping[bytes, Varbind], target: MeterTarget
) -> None:
    for channel in channels:
        figure = _figure(channel, values, seen.notes)
        if figure is not None:
            seen.candidates.append(_candidate(channel, figure, values, target))
    seen.chosen = _choose(seen.candidates)
    while failed := [verdict for verdict in _checked(seen) if not verdict.passed]:
        seen.checks += failed
        _drop(seen, failed)
    seen.checks += _checked(seen)


def _checked(seen: Survey) -> list[ConsistencyVerdict]:
    return check({one.channel.name: ShownCount(one.figure.value, one.unit, one.channel.source) for one in seen.chosen})


def _drop(seen: Survey, failed: Sequence[ConsistencyVerdict]) -> None:
    """A contradiction makes the whole mapping doubtful: all that comes from the same source goes."""
    blamed = {name for verdict in failed for name in verdict.culprits}
    sources = {one.channel.source for one in seen.chosen if one.channel.name in blamed}
    texts = "; ".join(verdict.text for verdict in failed)
    seen.notes.append(f"{', '.join(sorted(sources))} is not used, since {texts}")
    seen.candidates = [one for one in seen.candidates if one.channel.source not in sources]
    seen.chosen = _choose(seen.candidates)


def _figure(
    channel: PinnedChannel, values: Mapping[bytes, Varbind], notes: list[str] | None = None
) -> ChannelFigure | None:
    try:
        return figure_of(channel, values)
    except DecodeError as error:
        if notes is not None:
            notes.append(str(error))
        return None


def _candidate(
    channel: PinnedChannel, figure: ChannelFigure, values: Mapping[bytes, Varbind], target: MeterTarget
) -> Candidate:
    said = unit_label(channel.unit, values)
    unit = unit_in(channel.unit, values)
    if channel.name == "total" and target.unit is not None:
        proven = PinnedChannel(
            channel.name,
            channel.terms,
            target.unit,
            channel.modulus,
            channel.source,
            f"{channel.why}; the registry says what a test print proved of its unit",
        )
        return Candidate(proven, figure, target.unit, said)
    return Candidate(channel, figure, unit, said)


def _choose(candidates: Sequence[Candidate]) -> list[Candidate]:
    """One candidate a channel, in the order in which they were found; for the total, one whose unit is known first."""
    chosen: dict[str, Candidate] = {}
    for one in candidates:
        name = one.channel.name
        known = chosen.get(name)
        if known is None or (name == "total" and known.unit is None and one.unit is not None):
            chosen[name] = one
    return list(chosen.values())


async def _refuse(conversation: Conversation, rows: FoundRows, seen: Survey) -> None:
    responder = conversation.responder
    notes = "".join(f"; {note}" for note in seen.notes)
    if rows.devices:
        text = f"{responder} has a printer at device index {rows.devices[0]}, but no prtMarkerLifeCount{notes}"
    elif seen.profile and seen.object_id:
        text = f"{responder} is of {seen.profile}'s kind ({seen.object_id}), but has no count that is known{notes}"
    elif known := await something_of_printer_mib(conversation):
        text = f"{responder} has a Printer-MIB ({known}), but no prtMarkerLifeCount, nor another known count{notes}"
    elif prints(seen.object_id):
        text = f"{responder} is a print server or a printer's own card ({seen.object_id}) that shows no count{notes}"
    else:
        raise ReadEnded(SilenceReason.WRONG_RESPONDER, wrong_responder(responder, seen.object_id), responder)
    raise ReadEnded(SilenceReason.NO_METER, text, responder)


def wrong_responder(responder: str, seen: str) -> str:
    if not seen:
        return f"{responder} answers SNMP but has no Printer-MIB, and does not say what it is (no sysObjectID)"
    return (
        f"{responder} answers SNMP but has no Printer-MIB (its sysObjectID is {seen}): "
        "a box in the middle may be answering for itself; check the port forward"
    )
