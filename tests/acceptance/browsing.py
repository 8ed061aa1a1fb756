"""A real browser before the console: what it must not see on any page, and what axe-core says of it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, Literal
from urllib.parse import urlsplit

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect, sync_playwright

from pagereeve.console.sign_in.requests import SIGN_IN
from tests.acceptance.console_sites import ConsoleSite
from tests.signing_in import PASSWORD

WIDTH: Final = 1280
NARROW: Final = 320
HEIGHT: Final = 900
PATIENCE_MS: Final = 30_000
NICENESS: Final = 5
TABS_MAX: Final = 60
GRAVE: Final = ("serious", "critical")
# What a colour scheme can change; everything else is the same in both.
OF_COLOUR: Final = ("color-contrast", "link-in-text-block")
# A page that is refused, or not there, is a resource that failed to load, to Chromium's console.
REFUSED: Final = "Failed to load resource: the server responded with a status of"
Scheme = Literal["light", "dark"]

# Run before a page's own: what its policy forbade is said to the console.
_LISTEN: Final = """
document.addEventListener("securitypolicyviolation",
    (event) => console.error("policy: " + event.violatedDirective + " " + event.blockedURI));
"""
# Parts that load themselves are there, and every answer has been put into its place.
_AT_REST: Final = """
() => !document.querySelector('.htmx-request, .htmx-swapping, .htmx-settling')
"""
_AXE: Final = """
async (options) => (await axe.run(document, options)).violations.map((one) =>
    ({id: one.id, impact: one.impact, where: one.nodes.map((node) => node.target.join(' '))}))
"""
# The place that has the keyboard is in sight, and its outline to be seen.
_HAS_FOCUS: Final = """
() => {
  const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
  const shown = box.width > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
  return shown && style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
}
"""
_WIDER: Final = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's; whatever is not on loopback goes to a port where nobody listens."""
    program = shutil.which("chromium")
    assert program is not None, "chromium is missing: apt-get install chromium"
    expect.set_options(timeout=PATIENCE_MS)
    with TemporaryDirectory() as folder, sync_playwright() as started:
        browser = started.chromium.launch(
            executable_path=_yielding(program, Path(folder)),
            args=["--no-sandbox", "--disable-gpu", "--proxy-server=127.0.0.1:9"],
        )
        try:
            yield browser
        finally:
            browser.close()


def _yielding(program: str, folder: Path) -> Path:
    """It works as much as it can get; what other tests wait for, beside it, comes first."""
    started = folder / "chromium"
    started.write_text(f'#!/bin/sh\nexec nice -n {NICENESS} {program} "$@"\n', encoding="utf-8")
    started.chmod(0o755)
    return started


@dataclass
class Seen:
    """A page, and what must not have happened on it."""

    page: Page
    faults: list[str] = field(default_factory=list)

    def console(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and not message.text.startswith(REFUSED):
            self.faults.append(f"console: {message.text}")

    def error(self, error: object) -> None:
        self.faults.append(f"script: {error}")

    def request(self, request: Request) -> None:
        if urlsplit(request.url).hostname != "127.0.0.1":
            self.faults.append(f"outside: {request.url}")

    def go(self, address: str) -> int:
        """The status that it came with, once its parts are there."""
        answer = self.page.goto(address, wait_until="load")
        assert answer is not None
        self.rests()
        return answer.status

    def rests(self) -> None:
        self.page.wait_for_function(_AT_REST)

    def narrowed(self) -> None:
        """As on a phone: nothing but a table may have to be moved sideways."""
        self.page.set_viewport_size({"width": NARROW, "height": HEIGHT})
        wider = self.page.evaluate(_WIDER)
        if wider > 0:
            self.faults.append(f"at {NARROW} px: {wider} px wider than the screen")
        self.page.set_viewport_size({"width": WIDTH, "height": HEIGHT})

    def checked(self) -> None:
        """By axe-core in both schemes: what the second can't change is looked at once."""
        self.page.evaluate(AXE_SCRIPT)
        for scheme, options in (("light", {}), ("dark", {"runOnly": list(OF_COLOUR)})):
            self.page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
            for one in self.page.evaluate(_AXE, {"resultTypes": ["violations"], **options}):
                if one["impact"] in GRAVE:
                    self.faults.append(f"axe, {scheme}: {one['id']} at {', '.join(one['where'][:5])}")
        self.page.emulate_media(color_scheme="light")


@contextmanager
def opened(browser: Browser, **options: Any) -> Iterator[Seen]:
    """A page of a context of its own; ``options`` are the context's, as whom it is signed in."""
    context = browser.new_context(**{"viewport": {"width": WIDTH, "height": HEIGHT}, **options})
    context.set_default_timeout(PATIENCE_MS)
    try:
        yield seen_in(context)
    finally:
        context.close()


def seen_in(context: BrowserContext) -> Seen:
    context.add_init_script(_LISTEN)
    seen = Seen(context.new_page())
    seen.page.on("console", seen.console)
    seen.page.on("pageerror", seen.error)
    seen.page.on("request", seen.request)
    return seen


def sign_in(seen: Seen, site: ConsoleSite, name: str, password: str = PASSWORD) -> None:
    """By the form, as a person does."""
    seen.go(f"{site.address}{SIGN_IN}")
    seen.page.get_by_label("Name").fill(name)
    seen.page.get_by_label("Password").fill(password)
    seen.page.get_by_role("button", name="Sign in").click()
    seen.page.wait_for_load_state()


def tabbed_to(page: Page, selector: str) -> None:
    """By the keyboard alone, each place with its focus to be seen."""
    for _ in range(TABS_MAX):
        page.keyboard.press("Tab")
        assert page.evaluate(_HAS_FOCUS), page.evaluate("document.activeElement.outerHTML")
        if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"{TABS_MAX} times Tab do not reach {selector}")
