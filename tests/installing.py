"""What the pages for adding printers are sent: forms, and a list as a browser uploads it."""

from __future__ import annotations

import html
import re
from typing import Final
from urllib.parse import urlencode

import httpx2

from tests.signing_in import HTML, Browser

ADD: Final = "/installation/add"
IMPORT: Final = "/installation/import"
BOUNDARY: Final = "----four-pages-of-rhubarb"
_TOKEN: Final = re.compile(r'name="csrf" value="([^"]+)"')
_ACCESS: Final = re.compile(r'<option value="([^"]*)"[^>]*>(SNMP[^<]*)</option>')


def multipart(fields: dict[str, str], filename: str = "", data: bytes = b"") -> bytes:
    """As browsers write it: an empty file where none was chosen."""
    parts = [f'Content-Disposition: form-data; name="{name}"\r\n\r\n{value}'.encode() for name, value in fields.items()]
    head = f'Content-Disposition: form-data; name="file"; filename="{filename}"\r\nContent-Type: text/csv\r\n\r\n'
    parts.append(head.encode() + data)
    return b"".join(f"--{BOUNDARY}\r\n".encode() + part + b"\r\n" for part in parts) + f"--{BOUNDARY}--\r\n".encode()


async def token_of(browser: Browser, path: str = ADD) -> str:
    found = _TOKEN.search((await browser.get(path)).text)
    assert found is not None
    return found[1]


async def accesses(browser: Browser) -> dict[str, str]:
    """Values of the form's choice, by their text."""
    return {html.unescape(text): value for value, text in _ACCESS.findall((await browser.get(ADD)).text)}


async def sent(browser: Browser, path: str, fields: dict[str, str]) -> httpx2.Response:
    """The page that the answer leads to, or the refusal."""
    answer = await browser.post(path, fields)
    return await browser.get(answer.headers["location"]) if answer.status_code == 303 else answer


async def uploaded(browser: Browser, fields: dict[str, str], filename: str = "", data: bytes = b"") -> httpx2.Response:
    headers = {
        **HTML,
        "origin": browser.origin,
        "sec-fetch-site": "same-origin",
        "cookie": browser.cookie,
        "content-type": f"multipart/form-data; boundary={BOUNDARY}",
    }
    body = multipart(fields, filename, data)
    answer = await browser.client.post(f"{browser.origin}{IMPORT}", content=body, headers=headers)
    return await browser.get(answer.headers["location"]) if answer.status_code == 303 else answer


def draft_of(page: httpx2.Response) -> str:
    return str(page.url.params["draft"])


def same_page(draft: str, path: str = IMPORT) -> str:
    return f"{path}?{urlencode({'draft': draft})}"
