"""What ports.outbox promises, of the outbox in memory and of the one in SQLite alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.alerts.alert import SiteLayout, begun
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.ledger import Finding
from pagereeve.ports.outbox import Announcement, Kept, Queue, QueueRemoval
from pagereeve.ports.store import Store
from pagereeve.store.sqlite.journal import SqlJournal
from tests.findings import said
from tests.journal_samples import NOON_US, SECOND_US, finding, segment

MINUTE_US = 60 * SECOND_US


async def changed(store: Store) -> list[str]:
    """The findings that changed, and the changes are done."""
    changes = await store.changes(1_000)
    await store.announce(Announcement(changes=[one.number for one in changes]))
    return [one.finding for one in changes]


def told(number: int, at_us: int = NOON_US) -> tuple[Kept, Notification]:
    alert, message = compose(begun(finding("p", number), SiteLayout(), at_us), "opened", SiteLayout(), at_us)
    return (alert, message), message


async def test_a_finding_that_is_recorded_is_a_change_and_the_same_rows_again_are_none(store: Store) -> None:
    await store.replace("p", None, [segment("p", 1), segment("p", 2)])
    assert await changed(store) == ["finding-p-1", "finding-p-2"]
    await store.replace("p", None, [segment("p", 1), segment("p", 2)])
    await store.replace("p", NOON_US + 2 * MINUTE_US, [segment("p", 2)])
    assert await changed(store) == []


async def test_a_finding_in_another_segment_is_no_change(store: Store) -> None:
    await store.replace("p", None, [segment("p", 1)])
    await changed(store)
    moved = replace(segment("p", 3), findings=segment("p", 1).findings)
    await store.replace("p", None, [moved])
    assert await changed(store) == []


@pytest.mark.parametrize("member", [{"state": "closed"}, {"until_us": NOON_US}, {"pages": 4}, {"what": said("other")}])
async def test_a_finding_that_reads_otherwise_is_a_change(store: Store, member: dict[str, object]) -> None:
    await store.replace("p", None, [segment("p", 1)])
    await changed(store)
    (one,) = segment("p", 1).findings
    other: Finding = replace(one, **member)  # type: ignore[arg-type]
    await store.replace("p", None, [replace(segment("p", 1), findings=(other,))])
    assert await changed(store) == ["finding-p-1"]


async def test_a_finding_that_is_dropped_is_a_change(store: Store) -> None:
    await store.replace("p", None, [segment("p", 1), segment("p", 2)])
    await store.replace("q", None, [segment("q", 1)])
    await changed(store)
    await store.replace("p", NOON_US + 2 * MINUTE_US, [])
    assert await changed(store) == ["finding-p-2"]
    await store.replace("q", None, [])
    assert await changed(store) == ["finding-q-1"]


async def test_a_change_that_comes_while_others_are_looked_at_stays(store: Store) -> None:
    await store.replace("p", None, [segment("p", 1)])
    changes = await store.changes(10)
    await store.replace("p", None, [])
    await store.announce(Announcement(changes=[one.number for one in changes]))
    assert [one.finding for one in await store.changes(10)] == ["finding-p-1"]


async def test_changes_come_in_order_and_no_more_than_asked_for(store: Store) -> None:
    for number in range(1, 6):
        await store.replace("p", NOON_US + number * MINUTE_US, [segment("p", number)])
    assert [one.finding for one in await store.changes(2)] == ["finding-p-1", "finding-p-2"]


async def test_alerts_are_kept_in_place_of_what_was_known_and_forgotten(store: Store) -> None:
    kept, _ = told(1)
    other, _ = told(2)
    untold = (begun(finding("p", 3), SiteLayout(), NOON_US), None)
    await store.announce(Announcement(alerts=[kept, other, untold]))
    assert sorted(await store.alerts(), key=repr) == sorted([kept, other, untold], key=repr)
    changed_alert = replace(kept[0], told=7)
    await store.announce(Announcement(alerts=[(changed_alert, kept[1])], forgotten=[other[0].id]))
    known = {alert.id: alert for alert, _ in await store.alerts()}
    assert known == {changed_alert.id: changed_alert, untold[0].id: untold[0]}


async def test_messages_wait_for_each_receiver_in_order_until_it_has_them(store: Store) -> None:
    messages = [told(number, NOON_US + number)[1] for number in range(1, 6)]
    await store.announce(Announcement(messages=[(name, one) for one in reversed(messages) for name in ("a", "b")]))
    assert await store.waiting("a", 3) == messages[:3]
    assert await store.queues() == {name: Queue(5, NOON_US + 1) for name in ("a", "b")}
    await store.part(QueueRemoval("a", [(messages[0].alert, 1)], NOON_US + 9))
    assert await store.waiting("a", 10) == messages[1:]
    assert await store.waiting("b", 10) == messages
    assert await store.queues() == {"a": Queue(4, NOON_US + 2, NOON_US + 9), "b": Queue(5, NOON_US + 1)}
    await store.part(QueueRemoval("a", [(one.alert, one.nth) for one in messages]))
    assert (await store.queues())["a"] == Queue(0, None, NOON_US + 9)


async def test_a_receiver_that_was_forgotten_is_new_again(store: Store) -> None:
    messages = [told(number, NOON_US + number)[1] for number in range(1, 3)]
    await store.announce(Announcement(messages=[("a", messages[0]), ("b", messages[0])]))
    for name in ("a", "b"):
        await store.part(QueueRemoval(name, [(messages[0].alert, 1)], NOON_US + 9))
    await store.part(QueueRemoval("a", (), forget=True))
    assert await store.queues() == {"b": Queue(0, None, NOON_US + 9)}
    await store.announce(Announcement(messages=[("a", messages[1])]))
    assert (await store.queues())["a"] == Queue(1, NOON_US + 2)


async def test_the_outbox_is_there_after_the_file_was_closed(tmp_path: Path) -> None:
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    kept, message = told(1)
    await journal.replace("p", None, [segment("p", 1)])
    await journal.announce(Announcement(alerts=[kept], messages=[("a", message)]))
    await journal.close()
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    assert await journal.alerts() == [kept]
    assert await journal.waiting("a", 10) == [message]
    assert [one.finding for one in await journal.changes(10)] == ["finding-p-1"]
    await journal.close()
