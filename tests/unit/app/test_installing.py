"""The pages for adding printers, before a daemon that asks nobody: who may, what is refused, what is shown."""

from __future__ import annotations

import asyncio
import html
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import httpx2
import pytest

from pagereeve.app.installing import adding
from pagereeve.app.installing.api_checks import check_door
from pagereeve.app.installing.check_door import with_checks
from pagereeve.app.installing.checking import AT_ONCE, Checking, PacedInspector
from pagereeve.app.installing.door import InstallDoor, with_installing
from pagereeve.app.installing.drafts import DRAFTS_MAX, EACH_MAX, LONGEST_S, Drafts, EntryDraft
from pagereeve.app.installing.installing import READS, Installing
from pagereeve.app.installing.lists import ROWS_MAX, list_name
from pagereeve.app.installing.upload import LIST_MAX_BYTES, UPLOAD_MAX_BYTES
from pagereeve.app.settings_file import SettingsFile
from pagereeve.domain.credentials.callers import Act
from pagereeve.domain.facts.reading import Failure, SilenceReason
from pagereeve.meters.discovery.profile import profiles_with
from pagereeve.ports.inspection import Inspection, PrinterIdentity
from pagereeve.ports.meter import MeterTarget
from pagereeve.queries.readiness import PrinterLook
from pagereeve.settings import BadSettings, PrinterSettings, Settings, load_settings
from pagereeve.settings.importing import CantImport
from tests.installing import ADD, IMPORT, accesses, draft_of, same_page, sent, token_of, uploaded
from tests.sign_in_site import FOREIGN, site
from tests.signing_in import Browser, account

HOSTILE = "<script>alert(1)</script>"
SILENT = Failure(1, 2, SilenceReason.TIMEOUT, f"no answer {HOSTILE}", "")
SEEN = Inspection("", "2c", PrinterIdentity(model=HOSTILE, serial="S-1"), (), (), (HOSTILE,), None, SILENT)
TEXT = """include = ["printers.d/*.toml"]
data_dir = "data"
[[gateways]]
name = "library"
host = "192.0.2.1"
[[printers]]
name = "hall"
host = "192.0.2.2"
community_file = "secrets/lib"
"""


@dataclass
class Asked(Checking):
    """Asks nobody. ``answer`` is what every meter says."""

    answer: Inspection = SEEN
    asked: list[PrinterSettings] = field(default_factory=list)
    going_on: asyncio.Event = field(default_factory=asyncio.Event)

    async def one(self, entry: PrinterSettings) -> Inspection:
        self.asked.append(entry)
        return self.answer

    async def many(
        self,
        printers: Sequence[PrinterSettings],
        settings: Settings,
        proven_us: Mapping[str, int],
        on_done: Callable[[PrinterLook], None],
        pace: PacedInspector | None = None,
    ) -> None:
        for one in printers:
            self.asked.append(one)
            on_done(PrinterLook(one.name, "", one.host, addresses=(one.host,), model=HOSTILE, serial="S-1", total=5))
            if pace is None:  # of a list
                await self.going_on.wait()


@dataclass
class World:
    config: Path
    checking: Asked
    reloads: list[str] = field(default_factory=list)
    refusal: str = ""

    async def reload(self) -> str:
        names = {one.name for one in load_settings(self.config, {}).printers}
        self.reloads.append(" ".join(sorted(names)))
        return self.refusal

    @property
    def added(self) -> dict[str, str]:
        folder = self.config.parent / "printers.d"
        return {one.name: one.read_text() for one in folder.iterdir()} if folder.exists() else {}


@pytest.fixture
def world(tmp_path: Path) -> World:
    config = tmp_path / "pagereeve.toml"
    config.write_text(TEXT)
    (tmp_path / "data").mkdir()
    return World(config, Asked(lambda: profiles_with(None)))


@asynccontextmanager
async def browser_of(
    world: World, *acts: Act, file: bool = True, name: str = "mara", refused: dict[str, int] | None = None
) -> AsyncIterator[Browser]:
    """``refused`` is told at the end what was refused, by reason."""
    here = site(account(name, *(acts or ("read", "install"))))
    source = SettingsFile(world.config) if file else None
    doing = Installing(source, lambda: load_settings(world.config, {}), world.reload, world.checking, here.clock)
    door = InstallDoor(doing, here.events)
    checks = check_door(doing, here.journal, here.events)
    here.sign_in._web = with_installing(with_checks(here.sign_in._web, checks), door)
    async with here.browser() as browser:
        await browser.sign_in(name)
        yield browser
    door.close()
    if refused is not None:
        refused.update(here.events.stats.telemetry().refused)


async def entry(browser: Browser, **more: str) -> httpx2.Response:
    access = (await accesses(browser))["SNMP v2c, community public"]
    fields = {"csrf": await token_of(browser), "name": "attic", "host": "192.0.2.9", "port": "161", "access": access}
    return await sent(browser, ADD, {**fields, "pin": "yes", **more})


async def listed(browser: Browser, text: str, name: str = "") -> httpx2.Response:
    fields = {"csrf": await token_of(browser, IMPORT), "list": text, "list_name": name}
    return await uploaded(browser, fields)


def said(page: httpx2.Response) -> str:
    return html.unescape(page.text)


async def test_who_may_not_install_gets_neither_page_nor_form(world: World) -> None:
    async with browser_of(world, "read", "decide", "administer") as browser:
        page = await browser.get(ADD)
        assert (page.status_code, "needs the act install; mara has decide read administer" in said(page)) == (403, True)
        token = await browser.form_token()
        refused = await browser.post(ADD, {"csrf": token, "name": "x"})
        assert refused.status_code == 403
        big = await uploaded(browser, {"csrf": token, "list": "x"})
        assert (big.status_code, world.checking.asked) == (403, [])
        assert "/installation/add" not in (await browser.get("/installation")).text


async def test_who_did_not_sign_in_is_led_to_it(world: World) -> None:
    async with browser_of(world) as browser:
        browser.cookie = ""
        led = await browser.get(ADD)
        assert (led.status_code, led.headers["location"]) == (303, "/sign-in?then=%2Finstallation%2Fadd")
        assert (await browser.post(ADD, {"name": "x"})).status_code in {401, 404, 405}
        assert world.checking.asked == []


@pytest.mark.parametrize("headers", FOREIGN)
async def test_no_page_elsewhere_has_a_meter_asked(world: World, headers: dict[str, str]) -> None:
    async with browser_of(world) as browser:
        token = await token_of(browser)
        assert (await browser.post(ADD, {"csrf": token, "name": "x"}, **headers)).status_code == 403
        assert (await browser.post(ADD, {"csrf": "wrong", "name": "x"})).status_code == 403
        assert (await uploaded(browser, {"csrf": "wrong", "list": "x"})).status_code == 403
        assert world.checking.asked == []


async def test_all_that_is_wrong_with_a_form_is_said_and_nobody_is_asked(world: World) -> None:
    async with browser_of(world) as browser:
        page = await entry(browser, name=HOSTILE, host="no host", port="x", access="0", text="a\u202eb")
        assert HOSTILE not in page.text
        assert "5 things have to be corrected; nobody was asked." in said(page)
        for part in ("port: is no number", "access: is offered no more", "text: holds the control character U+202E"):
            assert part in said(page).replace("<b>", "").replace("</b>", ""), part
        twice = await entry(browser, name="hall")
        assert "hall" in said(twice)
        assert "1 thing has to be corrected" in said(twice)
        assert "host: is missing" in said(await entry(browser, host="")).replace("<b>", "").replace("</b>", "")
        assert (world.checking.asked, world.added) == ([], {})


async def test_what_a_hostile_agent_says_is_shown_as_text_and_not_taken_over(world: World) -> None:
    async with browser_of(world) as browser:
        page = await entry(browser, gateway="library", host="")
        assert HOSTILE not in page.text
        assert f"No: no answer: no answer {HOSTILE}." in said(page)
        assert "It can be added all the same" in page.text
        assert [(one.host, one.port) for one in world.checking.asked] == [("192.0.2.1", 161)]
        assert 'serial = "S-1"' not in said(page)  # nothing was read
        await sent(browser, f"{ADD}/confirm", {"csrf": await token_of(browser), "draft": draft_of(page)})
        [text] = world.added.values()
        assert text.endswith('[[printers]]\nname = "attic"\ngateway = "library"\nhost = "192.0.2.1"\nport = 161\n')
        assert world.reloads == ["attic hall"]


async def test_a_known_reference_goes_into_the_file_and_never_a_secret(world: World) -> None:
    async with browser_of(world) as browser:
        offered = await accesses(browser)
        reference = f"{world.config.parent}/secrets/lib"
        page = await entry(browser, access=offered[f"SNMP v2c, community of {reference}"])
        assert world.checking.asked[0].community_file == Path(reference)
        assert f'community_file = "{reference}"' in said(page)


async def test_without_a_folder_that_is_included_the_page_shows_what_to_put_where(world: World) -> None:
    world.config.write_text(TEXT.replace("printers.d/*.toml", "lists/*.toml"))
    async with browser_of(world) as browser:
        page = await entry(browser)
        assert "The daemon can't write it itself: include does not name printers.d/added-attic.toml" in said(page)
        assert 'name = "attic"' in said(page)
        assert f"{ADD}/confirm" not in page.text
        many = await listed(browser, "name,host\nattic,192.0.2.9\n")
        assert "The daemon can't write it itself: include does not name printers.d/printers.toml" in said(many)
        assert f"{IMPORT}/confirm" not in many.text


async def test_where_the_daemon_may_not_write_the_page_says_so(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)
    async with browser_of(world) as browser:
        page = await entry(browser)
        assert f"the daemon may not write into {world.config.parent}" in said(page)
        assert f"{ADD}/confirm" not in page.text


async def test_a_daemon_without_a_settings_file_adds_nothing(world: World) -> None:
    async with browser_of(world, file=False) as browser:
        assert "this daemon was started without a settings file" in (await browser.get(ADD)).text
        assert "this daemon was started without a settings file" in (await browser.get(IMPORT)).text
        assert (await browser.post(ADD, {"csrf": await browser.form_token()})).status_code == 403


async def test_what_a_reload_refuses_is_named_and_taken_away(world: World) -> None:
    async with browser_of(world) as browser:
        page = await entry(browser)
        world.refusal = "limits.requests_max: can't change"
        fields = {"csrf": await token_of(browser), "draft": draft_of(page)}
        refused = await sent(browser, f"{ADD}/confirm", fields)
        assert "Not added: the daemon refused" in refused.text
        assert world.refusal in said(refused)
        assert (world.added, world.reloads) == ({}, ["attic hall", "hall"])
        world.refusal = ""
        assert "Added to the settings" in (await sent(browser, f"{ADD}/confirm", fields)).text
        assert list(world.added) == ["added-attic.toml"]
        await sent(browser, f"{ADD}/confirm", fields)
        assert len(world.reloads) == 3


async def test_what_can_not_be_taken_away_is_said(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def stays(*_: object) -> None:
        raise CantImport("printers.d/added-attic.toml was refused, and can't be taken away: remove it yourself")

    monkeypatch.setattr(adding, "take_back", stays)
    async with browser_of(world) as browser:
        page = await entry(browser)
        world.refusal = "no"
        left = await sent(browser, f"{ADD}/confirm", {"csrf": await token_of(browser), "draft": draft_of(page)})
        assert "could not be taken away again" in left.text
        assert "remove it yourself" in said(left)


async def test_a_persons_file_of_that_name_is_never_written_over(world: World) -> None:
    async with browser_of(world) as browser:
        page = await entry(browser)
        folder = world.config.parent / "printers.d"
        folder.mkdir()
        (folder / "added-attic.toml").write_text("# mine\n")
        fields = {"csrf": await token_of(browser), "draft": draft_of(page)}
        assert "is there already, and stays as it is" in said(await sent(browser, f"{ADD}/confirm", fields))
        (folder / "north.toml").write_text("# mine\n")
        many = await listed(browser, "name,host\nyard,192.0.2.9\n", "north")
        assert "was not made by an import, and stays as it is" in said(many)
        assert world.added == {"added-attic.toml": "# mine\n", "north.toml": "# mine\n"}


async def test_a_list_is_refused_by_line_and_escaped(world: World) -> None:
    async with browser_of(world) as browser:
        text = f"name,host,community_file,{HOSTILE}\n=1+1,192.0.2.3,,\nyard,h,badge.key,\n{HOSTILE},192.0.2.4,,\n"
        page = await listed(browser, text)
        assert HOSTILE not in page.text
        assert "line 3, community_file: names what no printer of the settings uses yet" in said(page).replace(
            "<b>", ""
        ).replace("</b>", "")
        page = await listed(browser, text.replace("badge.key", ""))
        assert "'=1+1' (the list line 2), name" in said(page)
        assert "2 things have to be corrected" in page.text
        secret = await listed(browser, "name,host,community\na,192.0.2.3,x\n")
        assert "community is a secret; put it into a file" in said(secret)
        assert "is not UTF-8" in said(
            await uploaded(browser, {"csrf": await token_of(browser)}, "a.csv", b"name,host\n\xff,h\n")
        )
        assert world.added == {}


async def test_a_list_is_checked_in_turn_can_be_stopped_and_is_added(world: World) -> None:
    async with browser_of(world) as browser:
        text = "name,host,color\nattic,192.0.2.9,red\nyard,192.0.2.8,blue\n"
        page = await listed(browser, text, "north")
        assert "2 new entries." in page.text
        assert "192.0.2.9:161" in page.text
        fields = {"csrf": await token_of(browser), "draft": draft_of(page)}
        first = await sent(browser, f"{IMPORT}/check", fields)
        await asyncio.sleep(0)
        first = await browser.get(same_page(fields["draft"]))
        assert "Read so far: 1 of 2; 1 can be used." in first.text
        assert 'hx-trigger="every 2s"' in first.text
        # One at a time of a session.
        other = await listed(browser, text, "south")
        busy = await browser.post(f"{IMPORT}/check", {**fields, "draft": draft_of(other)})
        assert (busy.status_code, "meters of another list are being read" in said(busy)) == (503, True)
        waits = await sent(browser, f"{IMPORT}/confirm", fields)
        assert (world.added, "Added" in waits.text) == ({}, False)
        await sent(browser, f"{IMPORT}/stop", fields)
        await asyncio.sleep(0)
        stopped = await browser.get(same_page(fields["draft"]))
        assert "1 of 2 can be read; not asked: 1." in stopped.text
        assert HOSTILE not in stopped.text
        added = await sent(browser, f"{IMPORT}/confirm", fields)
        assert "2 entries were added" in added.text
        assert (list(world.added), world.reloads) == (["north.toml"], ["attic hall yard"])
        # What is no longer in the list is not removed by a page.
        less = await listed(browser, "name,host\nattic,192.0.2.7\n", "north")
        assert "A page removes nothing" in less.text
        assert f"{IMPORT}/confirm" not in less.text
        more = await listed(browser, text.replace("192.0.2.8", "192.0.2.6"), "north")
        assert "host: 192.0.2.8 -> 192.0.2.6" in said(more)
        again = await listed(browser, text, "north")
        assert "Nothing: the settings have all of it already." in again.text


async def test_payloads_rows_and_pace_are_bounded(world: World) -> None:
    async with browser_of(world) as browser:
        rows = "".join(f"p{nth},192.0.2.{nth % 250}\n" for nth in range(ROWS_MAX + 1))
        assert f"a page takes {ROWS_MAX:,}".replace(",", "") in said(await listed(browser, f"name,host\n{rows}"))
        token = await token_of(browser)
        long = await uploaded(browser, {"csrf": token}, "a.csv", b"x" * (LIST_MAX_BYTES + 1))
        assert (long.status_code, "is more than" in long.text) == (400, True)
        assert (await uploaded(browser, {"csrf": token}, "a.csv", b"x" * UPLOAD_MAX_BYTES)).status_code == 413
        answers = [await browser.post(ADD, {"csrf": token, "name": "x"}) for _ in range(int(READS[1]) + 1)]
        assert [one.status_code for one in answers] == [303] * int(READS[1]) + [503]
        assert "too many meters were read" in said(answers[-1])


async def test_a_draft_is_of_one_session_alone(world: World) -> None:
    async with browser_of(world) as browser:
        page = await entry(browser)
        draft = draft_of(page)
        assert 'href="/installation/add"' in (await browser.get("/installation")).text
        assert 'name = "attic"' in said(await browser.get(same_page(draft, ADD)))
        await browser.sign_in("mara")
        other = await browser.get(same_page(draft, ADD))
        assert "What was here is over" in other.text
        lost = await sent(browser, f"{ADD}/confirm", {"csrf": await token_of(browser), "draft": draft})
        assert ("What was here is over" in lost.text, world.added) == (True, {})
        assert "What was here is over" in (await browser.get(same_page(draft, IMPORT))).text


def test_drafts_are_few_and_end() -> None:
    kept = Drafts()
    names = [kept.put("a", EntryDraft({}, pins=True), 0.0) for _ in range(EACH_MAX + 1)]
    found = [kept.get("a", one, EntryDraft, 1.0) is not None for one in names]
    assert found == [False] + [True] * EACH_MAX
    assert kept.get("a", names[-1], EntryDraft, LONGEST_S + 1) is None
    for nth in range(DRAFTS_MAX):
        kept.put(f"of {nth}", EntryDraft({}, pins=True), 2.0)
    assert kept.get("a", names[-1], EntryDraft, 3.0) is None
    kept.end()
    assert kept.checking() == 0


@pytest.mark.parametrize(
    ("said_name", "filename", "name"),
    [
        ("", "", "printers"),
        ("", "C:\\lists\\Branches (old).csv", "branches-old"),
        ("", "../../etc/passwd", "printers"),
        ("", "ü.csv", "printers"),
        (" north-2 ", "x.csv", "north-2"),
    ],
)
def test_a_list_is_named_by_a_fixed_pattern(said_name: str, filename: str, name: str) -> None:
    assert list_name(said_name, filename) == name


@pytest.mark.parametrize("name", ["../x", "a.b", "A", "-a", "a" * 41, "a/b"])
def test_another_name_is_refused(name: str) -> None:
    with pytest.raises(BadSettings, match="name of the list"):
        list_name(name, "")


@dataclass
class Slow:
    """As a meter: counts how many are looked at side by side."""

    now: int = 0
    most: int = 0

    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        self.now += 1
        self.most = max(self.most, self.now)
        await asyncio.sleep(0.01)
        self.now -= 1
        return replace(SEEN, responder=target.host)


async def test_no_more_meters_than_a_few_are_asked_at_once() -> None:
    pace, meter = PacedInspector(pace_s=0.0), Slow()
    target = PrinterSettings(name="a", host="192.0.2.1").target({})
    inspector = pace.over(meter)  # type: ignore[arg-type]
    await asyncio.gather(*(inspector.inspect(target, 1.0) for _ in range(3 * AT_ONCE)))
    assert meter.most == AT_ONCE
