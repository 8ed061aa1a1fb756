"""One event at a reader is one finding: floods, keypads, keyboards, numbers read short or shifted."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from pagereeve.app.daemon import App
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, Bound, Fact
from pagereeve.settings import BadgeFormSettings, BadgeSettings, GatewaySettings
from tests.histories import origin
from tests.integration.daemon import Outside, hasty_settings, until
from tests.projecting import Project, kinds, projecting

FEED = "urn:pagereeve:feed:line"
PRESENTED = "pagereeve.badge.presented.v1"
DIRECTORY = Bound(0, "b-00", "anise", 0)


@pytest.fixture
def project(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    return projecting(tmp_path, capsysbinary)


def stranger(number: int, second: float, reader: str = "desk", resembles: str = "") -> Fact:
    key = origin(f"badge-{number}", second, FEED)
    return BadgePresented("", key, f"b-{number:04}", "gate-1", reader, resembles=resembles)


def unreadable(number: int, second: float, reason: str) -> Fact:
    return BadgeUnreadable(origin(f"frame-{number}", second, FEED), "gate-1", reason, "desk")


def test_200_unknown_badges_in_10_s_are_one_finding_about_the_reader(project: Project) -> None:
    flood = [stranger(number, number / 20) for number in range(200)]
    alone = [stranger(900, 5, "door"), stranger(901, 300)]
    (flooded, *others) = sorted(project([DIRECTORY, *flood, *alone])["site"]["findings"], key=lambda one: one["kind"])
    assert (flooded["kind"], flooded["place"], flooded["state"]) == (
        "reader-flooded",
        "reader desk at gateway gate-1",
        "closed",
    )
    assert flooded["what"]["values"] == {"badges": 200, "within_s": 10}
    assert [(one["kind"], one["place"].split()[1]) for one in others] == [
        ("unknown-badge", "door"),
        ("unknown-badge", "desk"),
    ]
    still = project([DIRECTORY, *flood])["site"]["findings"]
    assert [(one["kind"], one["state"]) for one in still] == [("reader-flooded", "open")]


def test_nine_strangers_in_10_s_are_nine(project: Project) -> None:
    body = project([DIRECTORY, *(stranger(number, number) for number in range(9))])
    assert kinds(body) == ["unknown-badge"] * 9


def test_frames_of_a_keypad_are_no_fault_of_the_reader(project: Project) -> None:
    assert kinds(project([unreadable(number, number, "length") for number in range(40)])) == []
    apart = project([unreadable(number, 10 * number, "length") for number in range(20)])
    assert kinds(apart) == ["reader-noisy"]
    assert kinds(project([unreadable(number, number, "parity") for number in range(20)])) == ["reader-noisy"]


@pytest_asyncio.fixture
async def outside(tmp_path: Path) -> AsyncIterator[Outside]:
    (tmp_path / "badges.csv").write_text("badge,owner,from\n0408A1B2,anise,\n1EA68671,basil,\n2EA68671,birch,\n")
    gateways = (
        GatewaySettings(name="gate-1", form=BadgeFormSettings(encoding="hex", uid=False)),
        GatewaySettings(name="gate-2", form=BadgeFormSettings(encoding="bits", parity="wiegand")),
    )
    badges = BadgeSettings(directory=tmp_path / "badges.csv", form=BadgeFormSettings(encoding="hex", uid=False))
    settings = hasty_settings(tmp_path / "data", (), gateways=gateways, badges=badges)
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as seen:
        yield seen


async def presented(outside: Outside, name: str, badge: str, gateway: str = "gate-1") -> Any:
    answer = await outside.send(PRESENTED, name, {"badge": badge, "gateway": gateway})
    assert answer.status_code == 200, answer.text
    assert badge not in answer.text
    return answer.json()


async def badges(outside: Outside) -> list[Fact]:
    known = [one async for one in outside.app.store.badge_facts()]
    return [one for one in known if isinstance(one, BadgePresented | BadgeUnreadable)]


async def test_a_number_that_is_nearly_a_known_one_is_asked_and_never_applied(outside: Outside) -> None:
    short, shifted, either = f"{0x08A1B2:06X}", f"{0x0408A1B2 >> 1:08X}", "A68671"
    for number, badge in enumerate((short, shifted, either)):
        await presented(outside, f"b-{number}", badge)
    seen = await badges(outside)
    assert [one.resembles for one in seen if isinstance(one, BadgePresented)] == [
        "the low 24 bits of another",
        "another, shifted by a bit",
        "",
    ]
    findings = list(await _unknown(outside))
    slips = [dict(piece.values)["slip"] for one in findings for piece in one.evidence if piece.kind == "perhaps-read"]
    assert slips == ["the low 24 bits of another", "another, shifted by a bit"]


async def _unknown(outside: Outside) -> Any:
    async def look() -> Any:
        found = [one for one in await outside.app.store.findings(only_open=True) if one.kind == "unknown-badge"]
        return sorted(found, key=lambda one: one.since_us) if len(found) == 3 else None

    return await until(look, "three unknown badges")


@pytest.mark.parametrize(("badge", "gateway"), [("5", "gate-1"), ("5A", "gate-1"), ("0101", "gate-2")])
async def test_a_key_of_a_keypad_is_neither_kept_nor_a_fault(outside: Outside, badge: str, gateway: str) -> None:
    body = await presented(outside, "k-1", badge, gateway)
    assert body["outcome"] == "ignored"
    assert await badges(outside) == []


@pytest.mark.parametrize("typed", ["&é\"'((", ")*@#$%^&", "ab&é\"'(-"])
async def test_digits_of_another_keyboard_are_refused_with_that_hint(outside: Outside, typed: str) -> None:
    body = await presented(outside, "t-1", typed)
    (remark,) = body["remarks"]
    assert remark["where"] == "data.badge"
    assert "keyboard layout" in remark["detail"]
    (kept,) = await badges(outside)
    assert isinstance(kept, BadgeUnreadable)
    assert kept.reason == "layout"
