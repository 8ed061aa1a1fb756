"""Files to take along: each format that the commands have, and none that would be refused."""

from __future__ import annotations

import re
from html import unescape
from typing import Final, get_args

import pytest

from pagereeve.console.pages.downloads import LANGUAGES
from pagereeve.domain.credentials.callers import Caller
from pagereeve.reports.exports.csv_file import Locale
from pagereeve.reports.exports.making import FileFormat
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import MONTH, december

_LINK: Final = re.compile(r'<a href="(/v1/[^"]+)" download>')


@pytest.mark.parametrize("caller", [ACCOUNTING, READER])
async def test_every_file_that_a_page_offers_is_sent(caller: Caller) -> None:
    async with asking(await december(owner="anise"), caller) as client:
        pages = [f"/accounts/{MONTH}", f"/accounts/{MONTH}/printer/hall", f"/accounts/{MONTH}/cost-centre/"]
        pages += [f"/accounts/{MONTH}/person/anise"] if caller.may("names") else []
        links = [unescape(link) for page in pages for link in _LINK.findall((await client.get(page)).text)]
        for link in links:
            answer = await client.get(link)
            assert answer.status_code == 200, link
            assert re.fullmatch(r'attachment; filename="[A-Za-z0-9._-]+"', answer.headers["content-disposition"])
            assert caller.may("names") or b"anise" not in answer.content
    formats = {link.rpartition("format=")[2] for link in links if "/exports/" in link}
    assert formats == set(get_args(FileFormat))
    assert len([one for one in links if "/exports/" in one]) == len(formats) * (5 if caller.may("names") else 3)
    assert len([one for one in links if "/statement-files/" in one]) == (10 if caller.may("names") else 4)


async def test_a_language_is_asked_for_by_a_form_that_leads_to_the_file() -> None:
    assert set(LANGUAGES) == set(get_args(Locale))
    async with asking(await december(owner="anise"), READER) as client:
        led = await client.get(f"/accounts/{MONTH}/csv?by=printer&locale=de")
        assert led.headers["location"] == f"/v1/exports/printer?period={MONTH}&format=csv&locale=de"
        assert (await client.get(led.headers["location"])).content.startswith(b"\xef\xbb\xbf")
        assert (await client.get(f"/accounts/{MONTH}/csv?by=person&locale=de")).status_code == 403
        for wrong in ("by=room&locale=de", "by=printer&locale=xx", "locale=de"):
            assert (await client.get(f"/accounts/{MONTH}/csv?{wrong}")).status_code == 400
