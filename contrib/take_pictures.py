"""Takes pictures of the console's pages (contrib/pictures): to be looked at by people, and two for README.md.

What they show is the demo's: a fictional college. Its month is closed in a copy of the journal, by a command whose
clock stands in the next month.
"""

from __future__ import annotations

import io
import os
import shutil
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from subprocess import run
from tempfile import TemporaryDirectory
from types import FrameType
from typing import Any, Final, NoReturn

from PIL import Image
from playwright.sync_api import Browser, FloatRect, Page

from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.acceptance.browsing import Seen, chromium, opened, sign_in
from tests.acceptance.console_sites import ConsoleSite, demo_site, plain_site
from tests.acceptance.process import CODE
from tests.acceptance.wall_clock import library

ROOT: Final = Path(__file__).parents[1]
ALL: Final = ROOT / "var" / "pictures"
README: Final = ROOT / "contrib" / "docs" / "pictures"
WIDTHS: Final = (320, 1280, 2560)
SCHEMES: Final = ("light", "dark")
HEIGHT: Final = 900
REASON: Final = "the findings were talked over"
NEXT_MONTH: Final = "+40d"
PLACES: Final = ("now", "printers", "releases", "findings", "accounts", "installation", "words")
# A4 less its margins, at 96 pixels an inch.
PAPER: Final = {"width": 718, "height": 1046}
OF_ACCOUNTS: Final = ("accounts", "period", "statement", "losses", "closing", "decisions")
# The demo has no settings file to add to.
OF_SETTINGS: Final = ("adding", "importing")
PRINTED: Final = ("period", "statement-person", "statement-printer")
SMALL_BYTES: Final = 60_000
SMALL_WIDTH: Final = 1040
COLOURS: Final = 64
PERSON: Final = "user-vetch"
ACCOUNT: Final = {"mara": ("read", "names", "decide", "install")}
KEY: Final = "badge.key"


@dataclass(frozen=True, slots=True)
class Pages:
    """Addresses by the name of their pictures."""

    site: ConsoleSite
    paths: Mapping[str, str]
    state: Any = None

    def each(self, browser: Browser, **options: Any) -> Iterator[tuple[str, Page]]:
        with opened(browser, storage_state=self.state, **options) as seen:
            for name, path in self.paths.items():
                seen.go(f"{self.site.address}{path}")
                yield name, seen.page


def paths_of(site: ConsoleSite) -> dict[str, str]:
    """Asked while nobody has to sign in."""
    found = site.asked("/v1/findings?limit=200")["items"]
    by_kind = {one["kind"]: one["id"] for one in found}
    month = found[0]["since"][:7]
    release = next(one["releases"][0] for one in found if one["kind"] == "surplus")
    return {
        **{name: f"/{name}" for name in PLACES},
        "printer": "/printers/library-ground",
        "printer-replaced": "/printers/admissions",
        "printer-silent": "/printers/art-studio",
        "release": f"/releases/{release['release']}?source={release['source']}",
        "release-unproven": "/releases/job-1-027.1?source=" + release["source"],
        **{f"finding-{kind}": f"/findings/{by_kind[kind]}" for kind in ("surplus", "unknown-printer", "meter-silent")},
        "what-if": f"/findings/{by_kind['surplus']}/what-if?set=blank-backs-counted",
        **{f"period{by}": f"/accounts/{month}?by={by[1:]}" for by in ("-cost-centre", "-person", "-printer")},
        "period": f"/accounts/{month}",
        "statement-person": f"/accounts/{month}/person/{PERSON}",
        "statement-printer": f"/accounts/{month}/printer/library-ground",
        "losses": f"/accounts/{month}/losses",
        "closing": f"/accounts/{month}/closing",
        "decisions": f"/accounts/{month}/decisions",
        "adding": "/installation/add",
        "importing": "/installation/import",
        "missing": "/findings/f-nowhere",
    }


def signed_in(browser: Browser, site: ConsoleSite, name: str) -> Any:
    """Cookies of one to whom names are shown."""
    with opened(browser) as seen:
        sign_in(seen, site, name)
        seen.page.get_by_role("button", name="Show names for 10 minutes").click()
        seen.rests()
        return seen.page.context.storage_state()


def take_all(browser: Browser, pages: Pages, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for width in WIDTHS:
        for scheme in SCHEMES:
            size = {"width": width, "height": HEIGHT}
            for name, page in pages.each(browser, viewport=size, color_scheme=scheme):
                page.screenshot(path=folder / f"{name}.{width}.{scheme}.png", full_page=True)


def print_some(browser: Browser, pages: Pages, folder: Path) -> None:
    some = Pages(pages.site, {name: path for name, path in pages.paths.items() if name in PRINTED}, pages.state)
    for name, page in some.each(browser, viewport=PAPER):
        page.emulate_media(media="print")
        page.screenshot(path=folder / f"{name}.printed.png", full_page=True)


@contextmanager
def closed_demo(demo: ConsoleSite, folder: Path, month: str) -> Iterator[ConsoleSite]:
    """The demo's journal as it is now, its month closed, as if it were the next one already."""
    later = {
        **os.environ,
        "LD_PRELOAD": str(library()),
        "FAKETIME": NEXT_MONTH,
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "NO_FAKE_STAT": "1",
    }
    kept = folder / "closed"
    backup = [sys.executable, "-c", CODE, "backup", str(folder / "demo.backup"), "--config", str(demo.config)]
    run(backup, check=True, capture_output=True)
    kept.mkdir(mode=0o700)
    shutil.copy(folder / "demo.backup", kept / JOURNAL_NAME)
    shutil.copy(demo.config.parent / KEY, kept)
    close = ("close", month, "--despite", REASON, "--data-dir", str(kept))
    run([sys.executable, "-c", CODE, *close], check=True, capture_output=True, env=later)
    people = f'[people]\nfile = "{demo.config.parent / "people.csv"}"\n'
    with plain_site(kept, people) as site:
        yield site


def every_page(folder: Path) -> None:
    with chromium() as browser, demo_site(folder) as day:
        with TemporaryDirectory() as nothing, plain_site(Path(nothing)) as empty:
            paths = {**{name: f"/{name}" for name in PLACES}, "sign-in": "/sign-in"}
            take_all(browser, Pages(empty, paths), ALL / "empty")
        demo = day.whole()
        paths = paths_of(demo)
        take_all(browser, Pages(demo, {"now": "/now", "releases": "/releases"}), ALL / "open")
        demo.add_accounts(ACCOUNT)
        pages = Pages(demo, paths, signed_in(browser, demo, "mara"))
        take_all(browser, pages, ALL / "full")
        print_some(browser, pages, ALL / "full")
        take_all(browser, Pages(demo, {"sign-in": "/sign-in?then=%2Ffindings"}), ALL / "full")
        with closed_demo(demo, folder, paths["period"].rpartition("/")[2]) as closed:
            asked = {name: path for name, path in paths.items() if name.startswith((*OF_ACCOUNTS, *OF_SETTINGS))}
            pages = Pages(closed, asked, signed_in(browser, closed, "mara"))
            take_all(browser, pages, ALL / "closed")
            print_some(browser, pages, ALL / "closed")


def for_readme(folder: Path) -> None:
    """The day, and a release with the picture of its bracket; names are invented, and hidden besides."""
    README.mkdir(exist_ok=True)
    with chromium() as browser, demo_site(folder) as day:
        demo = day.whole()
        paths = paths_of(demo)
        with opened(browser, viewport={"width": SMALL_WIDTH, "height": HEIGHT}) as seen:
            take_small(seen, f"{demo.address}{paths['now']}", ".work li:nth-child(4)", README / "day.png")
            take_small(seen, f"{demo.address}{paths['release']}", ".axis", README / "release.png")


def take_small(seen: Seen, address: str, last: str, file: Path) -> None:
    """Down to the part ``last``, of few colours. Raises SystemExit where it is larger than README.md should hold."""
    seen.go(address)
    box = seen.page.locator(last).first.bounding_box()
    assert box is not None, f"{address} has no {last}"
    clip = FloatRect(x=0, y=0, width=SMALL_WIDTH, height=box["y"] + box["height"])
    with Image.open(io.BytesIO(seen.page.screenshot(full_page=True, clip=clip))) as taken:
        taken.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(file, optimize=True)
    size_bytes = file.stat().st_size
    if size_bytes > SMALL_BYTES:
        raise SystemExit(f"{file}: {size_bytes} bytes are more than {SMALL_BYTES}")
    print(f"{file}: {size_bytes} bytes")


def end(number: int, _: FrameType | None) -> NoReturn:
    """Told to end (SIGTERM), it ends its demo and its browser too."""
    raise SystemExit(128 + number)


def main(asked: list[str]) -> None:
    signal.signal(signal.SIGTERM, end)
    if asked not in ([], ["readme"]):
        raise SystemExit("contrib/pictures takes no option but readme")
    with TemporaryDirectory() as folder:
        if asked:
            for_readme(Path(folder))
        else:
            every_page(Path(folder))
            print(f"{ALL}: to be looked at")


if __name__ == "__main__":
    main(sys.argv[1:])
