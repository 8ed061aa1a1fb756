"""The client of a centre against real sockets: each answer means one thing, and nothing waits for ever."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from pagereeve.domain.forwarding.batch import SealedPlace, batch_bytes
from pagereeve.ports.forward_settings import ForwardSettings
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded
from pagereeve.ports.secrets import NoSecret
from pagereeve.ports.setting_types import Duration
from pagereeve.receivers.centre.centre import HttpCentre, make_centre
from tests.forwarding import SealingSite
from tests.integration.forwarded import TOKEN, SpokenCentre, spoken_centre
from tests.integration.webserver import WebServer, status, web_server
from tests.journal_samples import badge


def settings(url: str, token_file: Path | str = "read-by-the-maker") -> ForwardSettings:
    return ForwardSettings(name="centre", url=url, site="annex", token_file=Path(token_file))


@asynccontextmanager
async def client(web: WebServer, token: str = TOKEN, total_s: float = 10.0) -> AsyncIterator[HttpCentre]:
    hasty = settings(web.url).model_copy(update={"timeout": Duration(round(total_s * 1e6))})
    one = HttpCentre(hasty, token=token)
    try:
        yield one
    finally:
        await one.close()


def site(facts: int = 3) -> SealingSite:
    annex = SealingSite()
    annex.store([badge(f"b-{number}") for number in range(facts)])
    return annex


async def trouble_of(one: HttpCentre, raw: bytes = b"x\n") -> NotForwarded:
    with pytest.raises(NotForwarded) as caught:
        await one.forward(raw)
    assert TOKEN not in str(caught.value)
    return caught.value


@pytest.fixture
async def centre() -> AsyncIterator[SpokenCentre]:
    async with spoken_centre() as one:
        yield one


async def test_a_batch_is_answered_with_what_the_centre_has(centre: SpokenCentre) -> None:
    annex = site()
    async with client(centre.web) as one:
        answer = await one.forward(batch_bytes(annex.batch()))
        assert answer == CentreAnswer(3, annex.sealed[-1].sealed, {"printer-a": 3})
    assert centre.web.requests[0].headers["content-type"] == "application/jsonl"


async def test_each_refusal_has_its_cause_and_says_what_the_centre_has(centre: SpokenCentre) -> None:
    annex = site(5)
    async with client(centre.web) as one:
        await one.forward(batch_bytes(annex.batch(0, 2)))
        gap = await trouble_of(one, batch_bytes(annex.batch(4)))
        assert (gap.trouble, gap.has) == ("gap", 2)
        assert (await trouble_of(one)).trouble == "malformed"
        other = SealingSite(seed=4)
        other.store([badge("other")])
        assert (await trouble_of(one, batch_bytes(other.batch()))).trouble == "fork"
        centre.site = "elsewhere"
        assert (await trouble_of(one, batch_bytes(annex.batch()))).trouble == "wrong-origin"
    async with client(centre.web, token="another-token-of-22-chars") as one:
        assert (await trouble_of(one)).trouble == "not-allowed"


@pytest.mark.parametrize(
    ("line", "headers", "trouble", "after_s"),
    [
        ("403 Forbidden", (), "not-allowed", 0),
        ("408 Request Timeout", (), "busy", 0),
        ("413 Content Too Large", (), "too-large", 0),
        ("429 Too Many Requests", ("Retry-After: 17",), "busy", 17),
        ("503 Service Unavailable", ("Retry-After: 60",), "busy", 60),
        ("503 Service Unavailable", ("Retry-After: Wed, 21 Oct 2026 07:28:00 GMT",), "busy", 0),
        ("500 Internal Server Error", (), "unreachable", 0),
        ("404 Not Found", (), "unreachable", 0),
        ("302 Found", ("Location: http://127.0.0.1:1/",), "unreachable", 0),
    ],
)
async def test_an_answer_without_a_cause_is_told_by_its_status(
    line: str, headers: tuple[str, ...], trouble: str, after_s: float
) -> None:
    async with web_server() as web, client(web) as one:
        web.answer = lambda _: status(line, *headers)
        error = await trouble_of(one)
        assert (error.trouble, error.retry_after_s) == (trouble, after_s)
        assert len(web.requests) == 1


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"ok",
        b"[]",
        b"{}",
        b'{"has":true,"last":null,"seqs":{}}',
        b'{"has":-1,"last":null,"seqs":{}}',
        b'{"has":1,"last":null,"seqs":{}}',
        b'{"has":0,"last":{"timeline":"rs","seq":1,"link":"00"},"seqs":{}}',
        b'{"has":1,"last":{"timeline":"rs","seq":1,"link":"zz"},"seqs":{}}',
        b'{"has":1,"last":[],"seqs":{}}',
        b"[" * 100_000,
    ],
)
async def test_what_is_no_answer_of_a_centre_is_believed_nothing(body: bytes) -> None:
    async with web_server() as web, client(web) as one:
        web.answer = lambda _: status("200 OK", body=body)
        assert (await trouble_of(one)).trouble == "malformed"


async def test_who_does_not_answer_or_answers_without_end_is_unreachable() -> None:
    began_s = time.monotonic()
    async with web_server() as web, client(web, total_s=0.5) as one:
        web.answer = lambda _: b""
        assert (await trouble_of(one)).trouble == "unreachable"
        web.answer, web.goes_on = lambda _: b"HTTP/1.1 200 OK\r\n\r\n", b"x" * 65_536
        assert (await trouble_of(one)).trouble in {"malformed", "unreachable"}
    assert time.monotonic() - began_s < 20
    async with client(WebServer(port=1)) as one:
        assert (await trouble_of(one)).trouble == "unreachable"


async def test_links_of_an_answer_are_read_as_bytes(centre: SpokenCentre) -> None:
    async with client(centre.web) as one:
        answer = await one.forward(batch_bytes(site(0).batch()))
        assert answer == CentreAnswer(0)
        assert isinstance((await one.forward(batch_bytes(site(1).batch()))).last, SealedPlace)


def test_a_token_that_is_none_is_named_by_its_file_and_not_shown(tmp_path: Path) -> None:
    file = tmp_path / "token"
    for text, words in (("", "is empty"), ("xyzw", "is shorter than 22"), ("blank in " * 5, "holds a blank")):
        file.write_text(text)
        with pytest.raises(NoSecret, match=words) as caught:
            make_centre(settings("http://127.0.0.1:1", file))
        assert str(file) in str(caught.value)
        assert not text or text not in str(caught.value)
