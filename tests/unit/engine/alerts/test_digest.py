"""A receiver that is new gets one message about what was open before it came, through restarts and only once."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from pagereeve.domain.ledger import Severity
from pagereeve.engine.alerts.delivery import retire
from tests.unit.engine.alerts.office import Office, a, closed, story


def nobody(office: Office) -> None:
    """As before there was a receiver."""
    office.dispatcher.change({}, ())


def comes(office: Office, least: Severity = "warning") -> None:
    office.dispatcher.change({"desk": least}, {"desk"})


async def begin_again(office: Office) -> None:
    await office.die()
    office.begin()
    comes(office)


def test_what_was_open_before_comes_in_one_message_and_later_messages_as_ever() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a("surplus"), a("stray-pages", number=1), a("meter-silent", "q"))
        await asyncio.sleep(70)
        assert office.taken() == []
        comes(office)
        await asyncio.sleep(20)
        assert office.taken() == [("open-alerts", "digest")]
        for _ in range(2):
            await begin_again(office)
            await asyncio.sleep(20)
        await office.record(a("stray-pages", "r"), replace(a("surplus"), state="explained", reason="test-page"))
        await asyncio.sleep(70)

    office = story(script)
    assert office.taken() == [("open-alerts", "digest"), ("surplus", "resolved"), ("stray-pages", "opened")]
    (first, *_) = office.receiver.taken
    assert [(one.kind, one.severity) for one in first.alerts] == [
        ("meter-silent", "critical"),
        ("surplus", "warning"),
        ("stray-pages", "warning"),
    ]
    assert (first.alerts_open, first.findings, first.pages) == (3, 3, 6)


def test_the_daemon_dies_before_the_digest_is_delivered() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a())
        await asyncio.sleep(70)
        office.receiver.away = True
        comes(office)
        await asyncio.sleep(20)
        await begin_again(office)
        await asyncio.sleep(20)
        office.receiver.away = False
        await begin_again(office)
        await asyncio.sleep(20)

    assert story(script).taken() == [("open-alerts", "digest")]


def test_what_ends_or_is_not_for_it_is_not_listed_and_nothing_open_is_no_message() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a("surplus"), a("meter-silent", "q"))
        await asyncio.sleep(70)
        await office.record(closed(a("meter-silent", "q")))
        await asyncio.sleep(400)
        comes(office, "critical")
        await asyncio.sleep(20)
        await office.record(a("meter-silent", "r"))
        await asyncio.sleep(70)
        await office.die()
        office.begin()
        comes(office, "critical")
        await asyncio.sleep(20)

    assert story(script).taken() == [("meter-silent", "opened")]


def test_an_alert_that_opens_in_the_same_moment_is_sent_as_itself_alone() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a("surplus"))
        await asyncio.sleep(30)
        await office.die()
        office.begin()
        await asyncio.sleep(70)

    assert story(script).taken() == [("surplus", "opened")]


def test_a_receiver_that_holds_states_gets_none() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a())
        await asyncio.sleep(70)
        office.dispatcher.change({"desk": "warning"}, ())
        await asyncio.sleep(20)

    assert story(script).taken() == []


def test_one_that_was_removed_and_comes_back_is_new_again() -> None:
    async def script(office: Office) -> None:
        nobody(office)
        await office.record(a())
        await asyncio.sleep(70)
        for known in (["desk"], []):
            comes(office)
            await asyncio.sleep(20)
            nobody(office)
            await retire(office.store, known, lambda *_: None)
        comes(office)
        await asyncio.sleep(20)

    assert story(script).taken() == [("open-alerts", "digest")] * 2
