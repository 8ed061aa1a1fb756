"""The console in a real browser: Debian's Chromium before the demo, before a site with nothing, before a closed month.

The demo plays its day while the two others are looked at. Until a credential is made its pages are open: tests of that
come first, as they stand here.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final
from urllib.parse import quote, urlencode

import pytest
from playwright.sync_api import Browser, expect

from tests.acceptance.browsing import Seen, chromium, opened, sign_in, tabbed_to
from tests.acceptance.console_sites import ConsoleSite, DemoSite, closed_site, demo_site, plain_site
from tests.closed_month import HOSTILE, MONTH
from tests.signing_in import PASSWORD

ROLES: Final[dict[str, tuple[str, ...]]] = {
    "reader": ("read",),
    "namer": ("read", "names"),
    "decider": ("read", "names", "decide"),
}
PLACES: Final = ("/now", "/printers", "/releases", "/findings", "/accounts", "/installation", "/words", "/sign-in")
PRINTER: Final = "library-ground"
PERSON: Final = "user-vetch"
"""Whose copies were applied twice there, with the seed that the demo has."""
# Pages that show less to who may see less; of the others one look is enough.
SPARE: Final = {"/now", "/sign-in", "release", "finding", "person", "statement", "cost-centre", "missing"}
HOUR_US: Final = 3_600_000_000
# Keeps the first address that a page was looked at under, so that it is seen whether it was loaded again.
_MARKED: Final = "window.stayed = true"


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """Of a short name: sockets lie in it."""
    with TemporaryDirectory() as name:
        yield Path(name)


def made(folder: Path, name: str) -> Path:
    (folder / name).mkdir(mode=0o700)
    return folder / name


@pytest.fixture(scope="module", autouse=True)
def day(folder: Path) -> Iterator[DemoSite]:
    """Begun before the first test."""
    with demo_site(made(folder, "d")) as site:
        yield site


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def empty(folder: Path) -> Iterator[ConsoleSite]:
    with plain_site(made(folder, "e")) as site:
        yield site


@pytest.fixture(scope="module")
def closed(folder: Path) -> Iterator[ConsoleSite]:
    with closed_site(made(folder, "c")) as site:
        yield site


@pytest.fixture(scope="module")
def demo(day: DemoSite) -> ConsoleSite:
    return day.whole()


@dataclass(frozen=True, slots=True)
class Known:
    """What the day left behind, that pages are about: of one surplus, its release, printer and person."""

    site: ConsoleSite
    month: str
    finding: str
    release: str

    def address(self, page: str) -> str:
        """A place of the navigation is its own address."""
        paths = {
            "printer": f"/printers/{PRINTER}",
            "release": self.release,
            "finding": f"/findings/{self.finding}",
            "what-if": f"/findings/{self.finding}/what-if?set=blank-backs-counted",
            "missing": "/findings/f-nowhere",
            "cost-centre": f"/accounts/{self.month}?by=cost-centre",
            "person": f"/accounts/{self.month}/person/{PERSON}",
            "statement": f"/accounts/{self.month}/printer/{PRINTER}",
            "closing": f"/accounts/{self.month}/closing",
            "losses": f"/accounts/{self.month}/losses",
        }
        return f"{self.site.address}{paths.get(page, page)}"


PAGES: Final = (
    *PLACES,
    *("printer", "release", "finding", "what-if", "missing"),
    *("cost-centre", "person", "statement", "closing", "losses"),
)


@pytest.fixture(scope="module")
def known(demo: ConsoleSite) -> Known:
    """Asked while nobody has to sign in."""
    surplus = next(one for one in demo.asked("/v1/findings")["items"] if one["kind"] == "surplus")
    key = surplus["releases"][0]
    release = f"/releases/{quote(key['release'], safe='')}?{urlencode({'source': key['source']})}"
    return Known(demo, surplus["since"][:7], surplus["id"], release)


# A site with nothing


@pytest.mark.parametrize("place", PLACES)
def test_an_empty_page_teaches(empty: ConsoleSite, browser: Browser, place: str) -> None:
    with opened(browser) as seen:
        assert seen.go(f"{empty.address}{place}") == 200
        seen.narrowed()
        seen.checked()
        assert seen.page.locator("main code, main dl, main a").count() > 0
        assert seen.faults == []


@pytest.mark.parametrize("place", ["/accounts", "/now"])
@pytest.mark.parametrize("width", [320, 1280, 2560])
def test_what_a_page_ends_with_stands_under_what_it_says(
    empty: ConsoleSite, browser: Browser, width: int, place: str
) -> None:
    with opened(browser, viewport={"width": width, "height": 900}) as seen:
        seen.go(f"{empty.address}{place}")
        edges = seen.page.evaluate(
            "['main', 'body > footer'].map(name => { const one = document.querySelector(name);"
            " return one.getBoundingClientRect().left + parseFloat(getComputedStyle(one).paddingLeft); })"
        )
    assert edges[0] == edges[1]


def test_what_is_accepted_appears_without_a_reload(empty: ConsoleSite, browser: Browser) -> None:
    with opened(browser) as seen:
        seen.go(f"{empty.address}/now")
        expect(seen.page.locator("[data-live]")).to_contain_text("Live")
        expect(seen.page.get_by_role("link", name="nowhere-1")).to_have_count(0)
        seen.page.evaluate(_MARKED)
        empty.post(notice("live-1"))
        expect(seen.page.get_by_role("link", name="nowhere-1")).to_be_visible()
        assert seen.page.evaluate("window.stayed")
        assert seen.faults == []


def notice(release: str) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "id": f"{release}.started",
        "source": "/invented/release-server",
        "type": "pagereeve.release.started.v1",
        "data": {"release": release, "job": "j-1", "owner": "user-anise", "printer": "nowhere-1"},
    }


def test_what_has_the_keyboard_keeps_it_where_figures_are_renewed(empty: ConsoleSite, browser: Browser) -> None:
    with opened(browser) as seen:
        empty.post(notice("kept-1"))
        seen.go(f"{empty.address}/now")
        link = seen.page.get_by_role("link", name="nowhere-1").first
        link.focus()
        shown = seen.page.locator("#q-pages").element_handle()
        seen.page.evaluate("htmx.trigger(document.body, 'stored')")
        seen.page.wait_for_function("(old) => !old.isConnected", arg=shown)
        seen.rests()
        expect(link).to_be_focused()
        assert seen.faults == []


def test_who_looks_again_is_told_what_changed_meanwhile(empty: ConsoleSite, browser: Browser) -> None:
    with opened(browser) as seen:
        page = seen.page
        seen.go(f"{empty.address}/now")
        expect(page.locator("[data-looked]")).to_be_empty()
        seen.go(f"{empty.address}/words")
        [last] = page.evaluate("Object.values(localStorage)")
        page.evaluate("(before) => localStorage.setItem('pagereeve-looked', before)", int(last) - HOUR_US)
        empty.post(notice("looked-1"))
        seen.go(f"{empty.address}/now")
        told = page.locator("[data-looked]")
        expect(told).to_contain_text("Since you looked")
        expect(told.get_by_role("link")).to_contain_text("1 finding")
        seen.checked()
        seen.narrowed()
        told.get_by_role("link").click()
        expect(page.get_by_role("heading", name="Which findings are new, or changed?")).to_be_visible()
        seen.checked()
        seen.narrowed()
        assert int(page.evaluate("localStorage.getItem('pagereeve-looked')")) >= int(last)
        assert seen.faults == []


# A closed month


@pytest.mark.parametrize("path", ["/accounts?before=2026-02", f"/accounts/{MONTH}", f"/accounts/{MONTH}/closing"])
def test_a_closed_month_says_so(closed: ConsoleSite, browser: Browser, path: str) -> None:
    with opened(browser) as seen:
        assert seen.go(f"{closed.address}{path}") == 200
        expect(seen.page.get_by_role("main")).to_contain_text("hidden" if "closing" not in path else "stays as it is")
        seen.narrowed()
        seen.checked()
        assert seen.faults == []


def test_a_name_that_is_a_script_is_text(closed: ConsoleSite, browser: Browser) -> None:
    closed.add_accounts({"namer": ROLES["namer"]})
    with opened(browser) as seen:
        sign_in_and_show(seen, closed, "namer")
        seen.go(f"{closed.address}/accounts/{MONTH}?by=person")
        expect(seen.page.get_by_role("link", name=HOSTILE)).to_be_visible()
        seen.page.get_by_role("link", name=HOSTILE).click()
        expect(seen.page.get_by_role("heading", level=1)).to_contain_text(HOSTILE)
        seen.checked()
        assert seen.faults == []


def sign_in_and_show(seen: Seen, site: ConsoleSite, name: str) -> None:
    sign_in(seen, site, name)
    if "names" in ROLES[name]:
        seen.page.get_by_role("button", name="Show names for 10 minutes").click()
        expect(seen.page.get_by_text("names shown until")).to_be_visible()


# The demo, before anybody has to sign in


@pytest.fixture(scope="module")
def nobody(known: Known, browser: Browser) -> Iterator[Seen]:
    with opened(browser) as seen:
        yield seen


@pytest.mark.timeout(240)  # waits for the rest of the day
@pytest.mark.parametrize("page", PAGES)
def test_a_page_that_is_open_to_all(known: Known, nobody: Seen, page: str) -> None:
    nobody.faults.clear()
    assert nobody.go(known.address(page)) == {"missing": 404, "person": 403}.get(page, 200)
    if page in SPARE:
        nobody.narrowed()
        nobody.checked()
    assert nobody.page.get_by_text(PERSON).count() == 0
    assert nobody.faults == []


# The demo, with accounts


@dataclass(frozen=True, slots=True)
class Accounts:
    """``as_who`` holds each role's cookies, names shown where it may have them."""

    known: Known
    as_who: dict[str, Any]


@pytest.fixture(scope="module")
def accounts(known: Known, browser: Browser) -> Accounts:
    known.site.add_accounts(ROLES)
    kept = {}
    with ExitStack() as stack:
        for name in ROLES:
            seen = stack.enter_context(opened(browser))
            sign_in_and_show(seen, known.site, name)
            kept[name] = seen.page.context.storage_state()
    return Accounts(known, kept)


@pytest.fixture(scope="module")
def as_role(accounts: Accounts, browser: Browser) -> Iterator[dict[str, Seen]]:
    with ExitStack() as stack:
        yield {
            role: stack.enter_context(opened(browser, storage_state=accounts.as_who[role])) for role in accounts.as_who
        }


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("role", ROLES)
def test_a_page_for_each_role(accounts: Accounts, as_role: dict[str, Seen], role: str, page: str) -> None:
    seen, may_see = as_role[role], "names" in ROLES[role]
    seen.faults.clear()
    status = seen.go(accounts.known.address(page))
    assert status == {"missing": 404, "person": 200 if may_see else 403}.get(page, 200)
    if role == "decider":
        seen.narrowed()
        seen.checked()
    if page in {"person", "release", "finding"}:
        assert (seen.page.get_by_text(PERSON).count() > 0) == may_see
    decides = seen.page.get_by_role("button", name="Record what it came of").count() > 0
    assert decides == (role == "decider" and page in {"/findings", "finding"})
    assert seen.faults == []


def test_a_wrong_password_says_so_and_opens_nothing(accounts: Accounts, browser: Browser) -> None:
    with opened(browser) as seen:
        sign_in(seen, accounts.known.site, "reader", PASSWORD + "!")
        expect(seen.page.get_by_role("alert")).to_contain_text("do not belong together")
        seen.narrowed()
        seen.checked()
        assert seen.page.context.cookies() == []
        seen.go(accounts.known.address("/findings"))
        expect(seen.page.get_by_role("heading", name="Who are you?")).to_be_visible()
        assert seen.faults == []


# What a person does


def test_a_decision_and_its_undo_by_the_keyboard_alone(accounts: Accounts, browser: Browser) -> None:
    with opened(browser, storage_state=accounts.as_who["decider"]) as seen:
        page = seen.page
        seen.go(accounts.known.address("finding"))
        tabbed_to(page, ".skip")
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        tabbed_to(page, "select[name=reason]")
        page.keyboard.press("j")  # jam
        tabbed_to(page, "input[name=text]")
        page.keyboard.type("tray two")
        tabbed_to(page, "button[value=explain]")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_contain_text("Recorded: what it came of.")
        expect(page.get_by_text("by decider: tray two")).to_be_visible()
        expect(page.get_by_role("main")).to_contain_text("(because: jam)")
        tabbed_to(page, "button[value=reopen]")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_contain_text("Taken back: it is open again")
        expect(page.get_by_role("main")).not_to_contain_text("(because: jam)")
        assert seen.faults == []


def test_a_decision_about_pages_and_its_undo(accounts: Accounts, browser: Browser) -> None:
    known = accounts.known
    options = ("--from", "surplus", "--to-house", "maintenance", "--reason", "test-page")
    known.site.command("decide", "move", "--finding", known.finding, *options)
    with opened(browser, storage_state=accounts.as_who["decider"]) as seen:
        seen.go(known.address("finding"))
        expect(seen.page.get_by_role("main")).to_contain_text("house:maintenance")
        seen.checked()
        seen.page.get_by_role("button", name="Undo it").click()
        expect(seen.page.get_by_role("status")).to_contain_text("Undone")
        expect(seen.page.get_by_role("main")).to_contain_text("house:surplus")
        expect(seen.page.get_by_role("button", name="Undo it")).to_have_count(0)
        assert seen.faults == []


def test_a_booking_ends_its_finding_and_says_so(accounts: Accounts, browser: Browser) -> None:
    with opened(browser, storage_state=accounts.as_who["decider"]) as seen:
        seen.go(f"{accounts.known.site.address}/findings?kind=unknown-printer")
        seen.page.get_by_role("link", name="bursary-old").click()
        seen.page.get_by_label("The printer that made the pages").fill("bursary")
        seen.page.get_by_role("button", name="Book its releases there").click()
        expect(seen.page.get_by_role("status")).to_contain_text("the finding ended with it")
        assert seen.faults == []


def test_names_are_shown_and_hidden_again(accounts: Accounts, browser: Browser) -> None:
    with opened(browser) as seen:
        sign_in(seen, accounts.known.site, "namer")
        seen.go(accounts.known.address("release"))
        expect(seen.page.get_by_text(PERSON)).to_have_count(0)
        seen.page.get_by_role("button", name="Show names for 10 minutes").click()
        expect(seen.page.get_by_text(PERSON).first).to_be_visible()
        seen.page.get_by_role("button", name="Hide names").click()
        expect(seen.page.get_by_text(PERSON)).to_have_count(0)
        assert seen.faults == []


def test_a_file_is_taken_along(accounts: Accounts, browser: Browser, tmp_path: Path) -> None:
    with opened(browser, storage_state=accounts.as_who["namer"], accept_downloads=True) as seen:
        seen.go(accounts.known.address("cost-centre"))
        row = seen.page.get_by_role("listitem").filter(has_text="A row for each person")
        with seen.page.expect_download() as downloaded:
            row.get_by_role("link", name="csv").click()
        file = tmp_path / "taken.csv"
        downloaded.value.save_as(file)
        with file.open(encoding="utf-8", newline="") as opened_file:
            rows = list(csv.DictReader(opened_file))
        assert PERSON in {one["person"] for one in rows}
        assert seen.faults == []


def test_signing_out_ends_it(accounts: Accounts, browser: Browser) -> None:
    with opened(browser) as seen:
        sign_in(seen, accounts.known.site, "reader")
        expect(seen.page.get_by_text("reader, names hidden")).to_be_visible()
        seen.page.get_by_role("button", name="Sign out").click()
        expect(seen.page.get_by_role("heading", name="Who are you?")).to_be_visible()
        seen.go(accounts.known.address("/findings"))
        expect(seen.page.get_by_role("heading", name="Who are you?")).to_be_visible()
        assert seen.faults == []


def test_without_scripts_figures_and_forms_are_there(accounts: Accounts, browser: Browser) -> None:
    known = accounts.known
    with opened(browser, java_script_enabled=False) as seen:
        page = seen.page
        page.goto(f"{known.site.address}/sign-in")
        page.get_by_label("Name").fill("decider")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("main")).to_contain_text("counted")
        expect(page.get_by_text("Reload the page for newer figures.")).to_be_visible()
        page.goto(known.address("/accounts"))
        page.get_by_role("link", name="Add it up").first.click()
        expect(page.get_by_role("main")).to_contain_text(known.month)
        expect(page.locator("td.number").first).to_be_visible()
        page.goto(known.address("/findings"))
        page.get_by_role("checkbox").first.check()
        page.locator("#together").get_by_label("What it came of").select_option("jam")
        page.get_by_role("button", name="Record what it came of").click()
        expect(page.get_by_role("status")).to_contain_text("Recorded")
        assert seen.faults == []
