"""Printers and releases named "." and ".." at the running daemon, asked for as browsers send it: byte by byte."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any, Final

import httpx2

from pagereeve.app.daemon import App
from pagereeve.domain.values.address_step import one_step
from pagereeve.settings import PrinterSettings
from tests.integration.daemon import Outside, hasty_settings, until

NAMES: Final = (".", "..", "./", "..//", "a/../b", "...")
ANSWER_S: Final = 30.0


async def answer_to(address: tuple[str, int], target: str) -> tuple[int, str]:
    """Sent as it stands: a client's library would take steps away."""
    reader, writer = await asyncio.open_connection(*address)
    writer.write(f"GET {target} HTTP/1.0\r\nHost: localhost\r\n\r\n".encode())
    try:
        told = (await asyncio.wait_for(reader.read(), ANSWER_S)).decode()
    finally:
        writer.close()
    head, _, body = told.partition("\r\n\r\n")
    return int(head.split()[1]), body


async def test_each_has_an_address_of_its_own(tmp_path: Path) -> None:
    """The settings name none of these printers: only a notice can."""
    hall = [PrinterSettings(name="hall", host="127.0.0.1", port=7)]
    async with App(hasty_settings(tmp_path, hall), first_reads_spread_s=60) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(60)
        for name in NAMES:
            assert (await outside.started(name, name, 3)).status_code == 200

        async def stored() -> Any:
            items = (await outside.client.get(f"{outside.url}/v1/releases")).json()["items"]
            return items if len(items) == len(NAMES) else None

        await until(stored, "the releases")
        for name in NAMES:
            status, body = await answer_to(app.http_address, f"/v1/printers/{one_step(name)}")
            assert (status, json.loads(body)["printer"]) == (200, name)
            status, page = await answer_to(app.http_address, f"/printers/{one_step(name)}")
            assert (status, f"<h1>{name}</h1>" in page) == (200, True)
            assert f'href="/releases/{one_step(name)}?source=' in page
            status, body = await answer_to(app.http_address, f"/v1/releases/{one_step(name)}")
            [item] = json.loads(body)["items"]
            assert (status, item["release"], item["printer"]) == (200, name, name)
            assert item["links"]["self"].startswith(f"/v1/releases/{one_step(name)}?")
            status, page = await answer_to(app.http_address, f"/releases/{one_step(name)}")
            assert (status, f">Release {name}</h1>" in page) == (200, True)
