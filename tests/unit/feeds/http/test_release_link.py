"""The answer to a start notice links to what came of its release."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

import pytest

from pagereeve.domain.values.address_step import name_of_step
from tests.unit.feeds.http.test_endpoint import BATCH, RELEASE, Served, event


@pytest.mark.parametrize(
    ("release", "source"),
    [
        *[("r-1", "/release"), ("a/b?c#d", "urn:x?y=1&z"), ("Zähler 7%", "/ä"), ("...", "/release")],
        *[('<x>; rel="y"', "/r"), (".", "/release"), ("..", "/release"), ("./", "/release")],
    ],
)
async def test_a_start_notice_is_answered_with_where_to_ask(release: str, source: str) -> None:
    said = event(source=source, data={**RELEASE, "release": release})
    answer = await Served().send(said)
    link, relation = answer.headers["link"].rsplit("; ", 1)
    assert relation == 'rel="describedby"'
    address = urlsplit(link.removeprefix("<").removesuffix(">"))
    step = address.path.removeprefix("/v1/releases/")
    assert (name_of_step(unquote(step)), step in {".", ".."}) == (release, False)
    assert "/" not in address.path.removeprefix("/v1/releases/")
    assert parse_qs(address.query) == {"source": [source]}
    [result] = (await Served().send([said], BATCH)).json()["results"]
    assert f"<{result['link']}>" == link


@pytest.mark.parametrize(
    "changes",
    [
        {"type": "pagereeve.release.ended.v1", "data": {"release": "r-1", "outcome": "completed"}},
        {"data": {**RELEASE, "release": "ä" * 200}, "source": "/" + "ö" * 500},
    ],
)
async def test_what_has_no_address_has_no_link(changes: dict[str, Any]) -> None:
    answer = await Served().send(event(**changes))
    assert (answer.status_code, "link" in answer.headers) == (200, False)
    [result] = (await Served().send([event(**changes)], BATCH)).json()["results"]
    assert "link" not in result
