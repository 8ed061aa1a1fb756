"""A printer looked over once: which of its objects are its channels, and why; or why its meter can't be used.

The standard Printer-MIB, the standard imaging counters (PWG 5106.3) and the maker's own objects are one kind of source:
all that answers is a candidate, and ``choosing`` says which of them is billed. What isn't stays as a witness.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from sys import intern
from typing import Final

from pagereeve.domain.facts.reading import COUNTER32_MODULUS
from pagereeve.meters.discovery.candidates import Offer, offered
from pagereeve.meters.discovery.channels import (
    NO_MODULUS,
    ChannelFigure,
    PinnedChannel,
    figure_of,
    names_of,
    says_unknown,
)
from pagereeve.meters.discovery.choosing import Candidate, Choice, choose
from pagereeve.meters.discovery.devices import pick_device
from pagereeve.meters.discovery.imaging import as_answered, imaging_channels, named_resets
from pagereeve.meters.discovery.inferring import infer_units
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
from pagereeve.meters.discovery.refusing import refuse
from pagereeve.meters.discovery.standard_objects import find_rows
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.discovery.units import unit_known, unit_label
from pagereeve.meters.snmp.ber import COUNTER64, OCTET_STRING, DecodeError, Varbind, object_id
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.limits import NAMES_MAX
from pagereeve.meters.snmp.names import Index
from pagereeve.ports.inspection import DeviceFound
from pagereeve.ports.meter import MeterTarget

# sysDescr is a DisplayString of 255 (RFC 3418 section 2).
DESCRIPTION_CHARS_MAX: Final = 255


@dataclass(slots=True)
class Survey:
    """``choice`` says which channels are billed and which are witnesses; ``room`` how many names the agent takes.

    ``devices`` are the printers of the agent where there are several, ``device`` the one that is read. ``notes`` say
    what else was seen. ``asleep`` are counts that are there, and that the agent doesn't know just now.
    """

    device: int
    row: Index
    devices: tuple[DeviceFound, ...] = ()
    object_id: str = ""
    model: str = ""
    description: str = ""
    profile: str = ""
    room: int = NAMES_MAX
    candidates: list[Candidate] = field(default_factory=list)
    choice: Choice = field(default_factory=Choice)
    notes: list[str] = field(default_factory=list)
    growing: set[bytes] = field(default_factory=set)
    asleep: list[PinnedChannel] = field(default_factory=list)

    def pins(self) -> Pins:
        pins = pins_of(
            self.device,
            self.row,
            [candidate.channel for candidate in self.choice.chosen],
            witnesses=[*(candidate.channel for candidate in self.choice.witnesses), *self.asleep],
            room=self.room,
            profile=self.profile,
            growing=frozenset(self.growing),
        )
        return replace(pins, description=intern(self.description[:DESCRIPTION_CHARS_MAX]))


async def survey(conversation: Conversation, target: MeterTarget, profiles: Profiles) -> Survey:
    """Find the meter. Raises ReadEnded where there is none that can be used (``refusing``)."""
    room = conversation.limits.get.room
    rows = await find_rows(conversation)
    devices, device = await pick_device(conversation, rows, target)
    markers = rows.markers_of(device)
    standard = [life_count(row) for row in markers]
    identity = (SYS_OBJECT_ID, SYS_DESCR, instance(HR_DEVICE_DESCR, device))
    values = (await conversation.get([*identity, *names_of(standard)])).values
    seen = _begun(device, markers, values)
    seen.devices = devices
    imaging = await imaging_channels(conversation)
    if imaging:
        seen.notes += await named_resets(conversation)
    offer = await _maker(conversation, target, profiles, seen)
    seen.growing = offer.growing
    seen.notes += offer.notes
    others = [*imaging, *offer.channels]
    if others:
        values |= (await conversation.get(names_of(others))).values
    imaging = [as_answered(channel, values) for channel in imaging]
    _take(seen, [*standard, *imaging, *offer.channels], values, target)
    if not seen.choice.chosen or (seen.asleep and not seen.choice.comparable):
        notes = [*seen.notes, *seen.choice.notes]
        maker = (seen.profile, seen.object_id)
        await refuse(conversation, seen.asleep, device if rows.devices else None, maker, notes)
    seen.room = room
    seen.notes += [
        f"{one.name} is a sum of {len(one.terms)} objects, more than one answer holds: it is not made"
        for one in seen.pins().parted
    ]
    return seen


def _begun(device: int, markers: Sequence[Index], values: Mapping[bytes, Varbind]) -> Survey:
    """What the agent says of itself."""
    model, description = values.get(instance(HR_DEVICE_DESCR, device)), values.get(SYS_DESCR)
    row = next(iter(markers), (device, 1))
    seen = Survey(device, row, model=_text(model), description=_text(description))
    identity = values.get(SYS_OBJECT_ID)
    if identity is not None and not identity.absent:
        try:
            seen.object_id = object_id(identity)
        except DecodeError:
            seen.notes.append("its sysObjectID is no object id")
    if len(markers) > 1:
        seen.notes.append(f"{len(markers)} markers; one is read, the others are witnesses: rows are never added up")
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
        elif says_unknown(channel, values):
            seen.asleep.append(channel)
    seen.choice = choose(seen.candidates)
    infer_units(seen.choice)
    if target.unit is not None:
        seen.notes += _contradicted(seen.choice, target)


def _contradicted(choice: Choice, target: MeterTarget) -> list[str]:
    """The registry's unit does not hide what the agent says."""
    return [
        f"the registry says that the total counts {target.unit}, the agent says {one.said}: test pages decide"
        for one in choice.chosen
        if one.channel.name == "total" and not one.said.startswith((target.unit or "", "missing", "unproven"))
    ]


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
    if channel.modulus == COUNTER32_MODULUS and values[channel.terms[0].name].tag == COUNTER64:
        # By its type, whatever the profile left unsaid (channels.py:NO_MODULUS).
        channel = replace(channel, modulus=NO_MODULUS)
    if channel.name == "total" and target.unit is not None:
        why = f"{channel.why}; the registry says what a test print proved of its unit"
        channel = replace(channel, proven=target.unit, why=why)
    return Candidate(channel, figure, unit_known(channel, values), unit_label(channel, values))
