"""Why a printer that was looked over has no meter that can be used."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.channels import PinnedChannel
from pagereeve.meters.discovery.responders import prints
from pagereeve.meters.discovery.standard_objects import something_of_printer_mib
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.question import ReadEnded


async def refuse(
    conversation: Conversation,
    asleep: Sequence[PinnedChannel],
    device: int | None,
    maker: tuple[str, str],
    notes: Sequence[str],
) -> NoReturn:
    """Raises ReadEnded: WRONG_RESPONDER for what is no printer, NO_METER without any count, ASLEEP where the counts are
    there and unknown just now. ``maker`` is the profile and the sysObjectID.
    """
    responder = conversation.responder
    profile, object_id = maker
    said = "".join(f"; {note}" for note in notes)
    if asleep:
        raise ReadEnded(SilenceReason.ASLEEP, not_known_now(responder, asleep), responder)
    if device is not None:
        text = f"{responder} has a printer at device index {device}, but no prtMarkerLifeCount{said}"
    elif profile and object_id:
        text = f"{responder} is of {profile}'s kind ({object_id}), but has no count that is known{said}"
    elif known := await something_of_printer_mib(conversation):
        text = f"{responder} has a Printer-MIB ({known}), but no prtMarkerLifeCount, nor another known count{said}"
    elif prints(object_id):
        text = f"{responder} is a print server or a printer's own card ({object_id}) that shows no count{said}"
    else:
        raise ReadEnded(SilenceReason.WRONG_RESPONDER, wrong_responder(responder, object_id), responder)
    raise ReadEnded(SilenceReason.NO_METER, text, responder)


def no_pages(responder: str, units: str) -> str:
    """``units`` names each count and what the agent says of its unit."""
    return (
        f"{responder} has no count that can be compared with pages ({units}); "
        "impressions(7) or sheets(8) is needed, or a unit that a test print has proved (pagereeve prove)"
    )


def not_known_now(responder: str, channels: Sequence[PinnedChannel]) -> str:
    """RFC 3805 section 6: -1 other, -2 unknown."""
    objects = ", ".join(dict.fromkeys(label for channel in channels for label in channel.objects))
    return f"{responder} says that its count is unknown just now ({objects} is -1, -2 or -3): it may be asleep"


def wrong_responder(responder: str, seen: str) -> str:
    if not seen:
        return f"{responder} answers SNMP but has no Printer-MIB, and does not say what it is (no sysObjectID)"
    return (
        f"{responder} answers SNMP but has no Printer-MIB (its sysObjectID is {seen}): "
        "a box in the middle may be answering for itself; check the port forward"
    )
