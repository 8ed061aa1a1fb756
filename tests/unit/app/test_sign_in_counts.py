"""What is counted of sign-ins, and what the log says of them."""

from __future__ import annotations

from typing import Any

import structlog

from pagereeve.console.sign_in.counting import OUTCOMES
from pagereeve.settings.console import ConsoleSettings
from tests.sign_in_site import Site, site
from tests.signing_in import account, proxied


def counted(here: Site) -> dict[tuple[str, str], int]:
    return {labels: count for labels, count in here.sign_in.counts.counts.items() if count}


def said(logged: list[Any]) -> list[dict[str, Any]]:
    return [{name: value for name, value in one.items() if name not in {"peer", "log_level"}} for one in logged]


async def test_a_sign_in_and_its_end_are_a_line_each() -> None:
    here = site(account("mara"))
    with structlog.testing.capture_logs() as logged:
        async with here.browser() as browser:
            await browser.sign_in("mara")
            await browser.post("/sign-out", {"csrf": await browser.form_token()})
    assert counted(here) == {("password", "signed-in"): 1, ("password", "signed-out"): 1}
    assert said(logged) == [
        {"event": "signed in", "credential": "mara", "by": "password"},
        {"event": "signed out", "credential": "mara", "by": "password"},
    ]


async def test_what_was_entered_in_place_of_a_name_is_in_no_log() -> None:
    here = site(account("mara"))
    with structlog.testing.capture_logs() as logged:
        async with here.browser() as browser:
            await browser.sign_in("mara", "not the right one")
            await browser.sign_in("four pages of rhubarb", "")  # a password in the wrong field
    assert counted(here) == {("password", "wrong"): 2}
    assert said(logged) == [
        {"event": "nobody was signed in", "by": "password", "why": "wrong", "credential": "mara"},
        {"event": "nobody was signed in", "by": "password", "why": "wrong"},
    ]
    assert {one["peer"] for one in logged} == {"192.0.2.1"}


async def test_who_tries_too_often_does_not_fill_the_log() -> None:
    here = site(account("mara"))
    with structlog.testing.capture_logs() as logged:
        async with here.browser() as browser:
            for _ in range(25):
                await browser.sign_in("mara", "not the right one")
    assert counted(here) == {("password", "wrong"): 20, ("password", "wait"): 5}
    assert len(logged) == 20


async def test_whom_a_proxy_names_is_counted_once_a_session() -> None:
    settings = ConsoleSettings.model_validate(
        {"trusted_user_header": "X-Remote-User", "trusted_proxies": ["192.0.2.1"]}
    )
    here = site(proxied("juno"), settings=settings)
    with structlog.testing.capture_logs() as logged:
        async with here.browser() as browser:
            browser.headers["x-remote-user"] = "juno"
            for _ in range(3):
                assert "juno, names hidden" in (await browser.get("/now")).text
    assert counted(here) == {("proxy", "signed-in"): 1}
    assert said(logged) == [{"event": "signed in", "credential": "juno", "by": "proxy"}]


def test_every_outcome_is_there_from_the_start() -> None:
    counts = site().sign_in.counts.counts
    assert set(counts) == {(by, outcome) for by, outcomes in OUTCOMES.items() for outcome in outcomes}
    assert set(counts.values()) == {0}
