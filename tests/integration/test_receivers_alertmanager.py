"""The receiver against Debian's Prometheus Alertmanager: what stands, what is over, and what it passes on."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.engine.alerts.delivery import DeliveryWorker
from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.setting_types import Duration
from pagereeve.receivers.alertmanager.alertmanager import AlertmanagerReceiver
from pagereeve.receivers.alertmanager.settings import AlertmanagerSettings
from pagereeve.store.memory.journal import MemoryJournal
from tests.integration.foreign import tool
from tests.integration.processes import accepts, free_tcp_port, running
from tests.integration.webserver import Request, WebServer, status, web_server
from tests.notices import StandingClock, notice, over

DEADLINE_S = 15.0
QUIET = "route: { receiver: none }\nreceivers: [{ name: none }]\n"
TELLING = """\
route: {{ receiver: hook, group_by: [alert], group_wait: 100ms, group_interval: 1s, repeat_interval: 1h }}
receivers:
  - name: hook
    webhook_configs: [{{ url: "{url}/from-alertmanager", send_resolved: true }}]
"""


@dataclass
class Manager:
    url: str

    async def alerts(self) -> list[dict[str, Any]]:
        """Those that stand."""
        async with httpx2.AsyncClient(trust_env=False, timeout=5.0) as client:
            answer = await client.get(f"{self.url}/api/v2/alerts")
        return sorted(answer.raise_for_status().json(), key=lambda alert: str(alert["labels"]["alert"]))

    async def names(self) -> list[str]:
        return [alert["labels"]["alert"] for alert in await self.alerts()]


def started(folder: Path, config: str, port: int = 0) -> Iterator[Manager]:
    port = port or free_tcp_port()
    file = folder / "alertmanager.yml"
    file.write_text(config)
    argv = [
        tool("prometheus-alertmanager", "prometheus-alertmanager"),
        f"--config.file={file}",
        f"--storage.path={folder / 'data'}",
        f"--web.listen-address=127.0.0.1:{port}",
        "--cluster.listen-address=",
    ]
    with running(argv, lambda: accepts(port), folder / "alertmanager.log"):
        yield Manager(f"http://127.0.0.1:{port}")


@pytest.fixture(scope="module")
def manager(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Manager]:
    yield from started(tmp_path_factory.mktemp("alertmanager"), QUIET)


@pytest.fixture
async def site() -> AsyncIterator[WebServer]:
    async with web_server() as server:
        yield server


def receiver(url: str, refresh_s: float = 60.0, token: str = "", **more: Any) -> AlertmanagerReceiver:
    """``refresh_s`` may be shorter than the settings allow."""
    settings = AlertmanagerSettings(name="am", url=url, **more)
    hasty = settings.model_copy(update={"refresh": Duration(round(refresh_s * 1e6))})
    return AlertmanagerReceiver(hasty, SystemClock(), token=token)


def now(**changes: Any) -> Notification:
    at_us = SystemClock().now_us()
    return notice(since_us=at_us - 120 * SECOND_US, at_us=at_us, **changes)


async def until(look: Callable[[], Awaitable[bool]], what: str) -> None:
    for _ in range(int(DEADLINE_S / 0.1)):
        if await look():
            return
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited {DEADLINE_S} s in vain: {what}")


async def test_an_alert_stands_with_its_labels_and_texts(manager: Manager, request: pytest.FixtureRequest) -> None:
    # Alertmanager keeps the earliest start of an alert that it has, so each run has an alert of its own.
    name = request.node.name
    one, message = receiver(manager.url, generator_url="https://wiki.example/p"), now(alert=name)
    await one.deliver(message)
    await one.close()
    (alert,) = [alert for alert in await manager.alerts() if alert["labels"]["alert"] == name]
    assert alert["status"]["state"] in {"active", "unprocessed"}
    assert alert["labels"]["alertname"] == "PagereeveFindingMeterSilent"
    assert alert["labels"]["severity"] == "critical"
    assert alert["annotations"]["evidence"] == "\n".join(message.evidence)
    assert alert["annotations"]["command"] == message.command
    assert alert["generatorURL"] == "https://wiki.example/p"
    assert abs(from_text(alert["startsAt"]) - message.since_us) < 1_000
    assert 235 * SECOND_US < from_text(alert["endsAt"]) - message.at_us < 245 * SECOND_US


async def test_the_same_message_again_and_later_ones_are_the_same_alert(manager: Manager) -> None:
    one = receiver(manager.url)
    message = now(alert="a-again")
    for later in (message, message, now(alert="a-again", nth=2, step="updated", title="worse", findings=5)):
        await one.deliver(later)
    await one.close()
    (alert,) = [alert for alert in await manager.alerts() if alert["labels"]["alert"] == "a-again"]
    assert alert["annotations"]["summary"] == "worse"
    assert alert["annotations"]["findings"] == "5"


async def test_what_is_repeated_stays_and_what_is_not_runs_out(manager: Manager) -> None:
    one = receiver(manager.url, refresh_s=0.25)
    both = [now(alert="a-kept"), now(alert="a-dropped")]
    for message in both:
        await one.deliver(message)
    assert {"a-kept", "a-dropped"} <= set(await manager.names())

    async def dropped() -> bool:
        await one.refresh(both[:1], SystemClock().now_us())
        names = await manager.names()
        assert "a-kept" in names
        return "a-dropped" not in names

    await until(dropped, "that an alert runs out which is not repeated")

    async def gone() -> bool:
        return "a-kept" not in await manager.names()

    await until(gone, "that the last runs out too")
    await one.close()


async def test_what_is_over_is_gone_at_once(manager: Manager) -> None:
    one, began = receiver(manager.url), now(alert="a-over")
    await one.deliver(began)
    assert "a-over" in await manager.names()
    end = over(alert="a-over", since_us=began.since_us, at_us=began.at_us + SECOND_US, until_us=began.at_us)
    await one.deliver(end)
    assert "a-over" not in await manager.names()
    # It is said again for a while, to a receiver that was started anew; that brings nothing back.
    await one.refresh([end], SystemClock().now_us())
    assert "a-over" not in await manager.names()
    await one.close()


async def test_many_alerts_are_repeated_in_batches(manager: Manager) -> None:
    one = receiver(manager.url)
    await one.refresh([now(alert=f"m-{n:03}", printer=f"p-{n}") for n in range(250)], SystemClock().now_us())
    await one.close()
    assert len([name for name in await manager.names() if name.startswith("m-")]) == 250


async def test_texts_from_outside_are_taken(manager: Manager) -> None:
    one = receiver(manager.url)
    await one.deliver(
        now(alert="odd", subject='Zoë "\\\n\x00\ud800', printer="打印机", gateway="", evidence=(), pages=None)
    )
    await one.close()
    assert "odd" in await manager.names()


async def test_alertmanager_passes_the_beginning_and_the_end_on_once_each(site: WebServer, tmp_path: Path) -> None:
    for manager in started(tmp_path, TELLING.format(url=site.url)):
        one, began = receiver(manager.url), now(alert="a-passed")
        await one.deliver(began)
        await one.deliver(began)
        await until(lambda: _heard(site, 1), "that a beginning is passed on")
        await one.refresh([began], SystemClock().now_us())
        await one.deliver(over(alert="a-passed", since_us=began.since_us, at_us=began.at_us, until_us=began.at_us))
        await until(lambda: _heard(site, 2), "that an end is passed on")
        await asyncio.sleep(1.5)
        await one.close()
    told = [json.loads(request.body) for request in site.requests]
    assert [message["status"] for message in told] == ["firing", "resolved"]
    assert [len(message["alerts"]) for message in told] == [1, 1]
    assert told[0]["alerts"][0]["annotations"]["first"] == began.first


async def test_one_that_restarted_has_what_stands_again_within_an_interval(tmp_path: Path) -> None:
    """It keeps alerts in memory alone (prometheus/alertmanager#77); clients are to send them again and again
    (prometheus.io, "Sending alerts"), as a delivery worker does with ``refresh_s``.
    """
    store, message = MemoryJournal(), now(alert="a-standing")
    port = free_tcp_port()
    one = receiver(f"http://127.0.0.1:{port}", refresh_s=1.0)
    worker = DeliveryWorker(one, store, SystemClock(), SystemEntropy(), lambda _: [message])
    task = asyncio.create_task(worker.run())
    for _ in range(2):
        for manager in started(tmp_path, QUIET, port):
            await until(partial(_stands, manager), "that what stands is there")
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await one.close()


async def _stands(manager: Manager) -> bool:
    return await manager.names() == ["a-standing"]


async def _heard(site: WebServer, count: int) -> bool:
    return len(site.requests) >= count


async def refused(one: AlertmanagerReceiver) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        await one.deliver(now())
    await one.close()
    assert "hidden" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize(
    ("line", "of_message"),
    [
        ("400 Bad Request", True),
        ("401 Unauthorized", False),
        ("404 Not Found", False),
        ("503 Service Unavailable", False),
    ],
)
async def test_what_an_answer_means(site: WebServer, line: str, of_message: bool) -> None:
    site.answer = lambda _: status(line, body=b"unable to parse labels")
    error = await refused(receiver(site.url + "/prefix/"))
    assert error.of_message is of_message
    assert "unable to parse labels" in str(error)
    assert site.requests[0].path == "/prefix/api/v2/alerts"


async def test_a_token_is_sent_and_never_shown(site: WebServer) -> None:
    def echo(request: Request) -> bytes:
        return status("403 Forbidden", body=request.headers["authorization"].encode())

    site.answer = echo
    await refused(receiver(site.url, token="hidden-token"))
    assert site.requests[0].headers["authorization"] == "Bearer hidden-token"
    assert site.requests[0].headers["content-type"] == "application/json"


async def test_batches_after_a_refused_one_are_sent_but_none_after_a_dead_line(site: WebServer) -> None:
    site.answer = lambda _: status("400 Bad Request")
    one = AlertmanagerReceiver(AlertmanagerSettings(name="am", url=site.url), StandingClock())
    many = [notice(alert=f"a-{n}") for n in range(150)]
    with pytest.raises(NotDelivered) as caught:
        await one.refresh(many, StandingClock().now_us())
    assert caught.value.of_message
    assert [len(json.loads(request.body)) for request in site.requests] == [100, 50]
    site.answer = lambda _: status("500 Internal Server Error")
    with pytest.raises(NotDelivered):
        await one.refresh(many, StandingClock().now_us())
    await one.close()
    assert len(site.requests) == 3
