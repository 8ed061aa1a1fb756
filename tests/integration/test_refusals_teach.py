"""What a refused read shows: what the agent said of itself, what it was asked, and what to do next."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.ports.inspection import Inspection, ResponderKind
from pagereeve.reports.inspection import inspection_json, inspection_text
from tests.integration.meter import a_meter
from tests.snmp_agents import (
    DEVICE_TYPE,
    LIFE,
    SERIAL,
    SERIAL_COLUMN,
    SYS_OBJECT,
    UNIT,
    UP_TIME,
    Mib,
    MibAgent,
    mib_agent,
    name,
    printer_mib,
    router_mib,
    small,
    text,
    ticks,
)

DESCRIPTION, SERVICES = "1.3.6.1.2.1.1.1.0", "1.3.6.1.2.1.1.7.0"
DEVICE_DESCRIPTION = "1.3.6.1.2.1.25.3.2.1.3"


def card(object_id: str) -> Mib:
    """A printer's network card, or a print server: it says who it is, and nothing of a printer."""
    return {
        DESCRIPTION: text("A card with a name of its own"),
        SYS_OBJECT: name(object_id),
        UP_TIME: ticks(5_000),
        SERVICES: small(72),
    }


async def inspected(mib: Mib, **target: str) -> Inspection:
    async with a_meter() as meter, mib_agent(MibAgent(mib)) as raw:
        return await meter.inspect(raw.target(**target), 5.0)


def answer_to(seen: Inspection, what: str) -> str:
    (answer,) = [one.answer for one in seen.asked if one.name == what]
    return answer


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_a_card_without_counters_is_no_box_in_the_middle(version: str) -> None:
    # Subtrees of Epson and of ZebraNet print servers; no profile is for either.
    for object_id in ("1.3.6.1.4.1.1248.1.1.2.1", "1.3.6.1.4.1.683.6.0"):
        seen = await inspected(card(object_id), version=version)
        assert seen.failure is not None
        assert (seen.failure.reason, seen.kind) == (SilenceReason.NO_METER, ResponderKind.PRINT_SERVER)
        assert seen.identity.object_id == object_id
        assert seen.identity.description == "A card with a name of its own"
        shown = inspection_text(seen)
        assert "A card with a name of its own" in shown
        assert "box in the middle" not in shown
        assert "Next: It is a print server" in shown


async def test_a_print_server_that_lists_its_printer_says_which_and_that_nothing_counts() -> None:
    listed = {f"{DEVICE_TYPE}.1": name("1.3.6.1.2.1.25.3.1.5"), f"{DEVICE_DESCRIPTION}.1": text("A photo printer")}
    seen = await inspected(card("1.3.6.1.4.1.99999.5") | listed)
    assert seen.failure is not None
    assert (seen.failure.reason, seen.kind) == (SilenceReason.NO_METER, ResponderKind.PRINT_SERVER)
    assert seen.identity.model == "A photo printer"
    assert answer_to(seen, "a printer in hrDeviceTable") == "at index 1: A photo printer"
    assert answer_to(seen, "anything of the Printer-MIB") == ""


async def test_a_card_of_hps_is_told_the_context_to_try() -> None:
    seen = await inspected(card("1.3.6.1.4.1.11.2.3.9.1"))
    assert seen.failure is not None
    assert (seen.failure.reason, seen.kind) == (SilenceReason.NO_METER, ResponderKind.PRINT_SERVER)
    assert "--context Jetdirect" in inspection_json(seen)["next_step"]["text"]
    assert answer_to(seen, "the maker's own objects (enterprise 11)") == ""


async def test_a_box_in_the_middle_is_called_one_and_shown_too() -> None:
    seen = await inspected(router_mib() | {DESCRIPTION: text("A gateway"), SERVICES: small(76)})
    assert seen.failure is not None
    assert (seen.failure.reason, seen.kind) == (SilenceReason.WRONG_RESPONDER, ResponderKind.FORWARDER)
    assert seen.identity.description == "A gateway"
    assert answer_to(seen, "sysServices") == "76"
    assert answer_to(seen, "a printer in hrDeviceTable") == "2 devices, no printer"
    assert "forward another of its ports" in inspection_text(seen)


async def test_a_printer_that_counts_hours_keeps_its_serial_and_its_channels_in_the_refusal() -> None:
    # hours(11) of PrtMarkerCounterUnitTC, RFC 3805 section 6
    seen = await inspected(printer_mib() | {f"{UNIT}.1.1": small(11)})
    assert seen.failure is not None
    assert seen.failure.reason is SilenceReason.UNIT_NOT_USABLE
    assert seen.identity.serial == SERIAL
    assert [one.value for one in seen.channels] == [764]
    assert answer_to(seen, "prtMarkerLifeCount") == f"{LIFE}.1.1 = 764"
    assert "pagereeve prove" in inspection_text(seen)


async def test_another_device_is_shown_with_its_own_identity() -> None:
    seen = await inspected(printer_mib() | {f"{SERIAL_COLUMN}.1": text("OTHER-1")}, serial=SERIAL)
    assert seen.failure is not None
    assert seen.failure.reason is SilenceReason.WRONG_DEVICE
    assert seen.identity.serial == "OTHER-1"


async def test_what_answers_is_asked_nothing_further_where_it_can_be_used() -> None:
    seen = await inspected(printer_mib())
    assert seen.reading is not None
    assert (seen.asked, seen.next_step, seen.kind) == ((), None, ResponderKind.PRINTER)


async def test_an_agent_that_stops_answering_costs_the_rest_of_the_answers_and_no_more() -> None:
    agent = MibAgent(card("1.3.6.1.4.1.683.6.0"))
    whole, asked = agent.answer, 0

    def answer(data: bytes) -> object:
        nonlocal asked
        asked += 1
        # A greeting, and what it says of itself.
        return whole(data) if asked <= 2 else None

    agent.answer = answer  # type: ignore[method-assign,assignment]
    async with a_meter() as meter, mib_agent(agent) as raw:
        seen = await meter.inspect(raw.target(), 1.0)
    assert seen.failure is not None
    assert seen.failure.reason is SilenceReason.TIMEOUT
    assert seen.identity.description == "A card with a name of its own"
    assert seen.asked[-1].answer.startswith("not answered")
