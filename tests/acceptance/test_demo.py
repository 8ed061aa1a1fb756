"""The long demo, as somebody runs it who has no terminal: it finds what was planted, and says so (the short one:
test_demo_kept.py).
"""

from __future__ import annotations

import asyncio
import sys
from typing import get_args

import pytest

from pagereeve.domain.findings.finding import Kind

# The kinds of findings about meters, releases and badges, and those about readers and patterns.
LONG_KINDS = (
    "surplus",
    "shortfall",
    "stray-pages",
    "unproven-release",
    "release-without-badge",
    "badge-owner-differs",
    "badge-elsewhere",
    "unknown-badge",
    "unknown-printer",
    "repeated-release",
    "release-never-ended",
    "windows-waiting",
    "meter-silent",
    "wrong-responder",
    "meter-replaced",
    "meter-went-back",
    "meter-jumped",
    "meter-stands-still",
    "unit-not-usable",
    "printer-restarted",
    "source-clock-off",
    "feed-silent",
    "conflicting-duplicate",
    "steady-bias",
    "diagnosis",
    "badge-in-two-places",
    "reader-noisy",
    "reader-form-changed",
    "reader-flooded",
    "state-not-believed",
    "tickets-incomplete",
    "unit-assumed",
    "unit-changed",
    "unit-contradicted",
    "witnesses-disagree",
    "job-without-release",
)
CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


async def played(*options: str, within_s: float) -> str:
    """What the demo printed; it must have come out as it should."""
    argv = (sys.executable, "-c", CODE, "demo", *options)
    process = await asyncio.create_subprocess_exec(
        *argv, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    async with asyncio.timeout(within_s):
        out, _ = await process.communicate()
    text = out.decode()
    assert process.returncode == 0, text[-6000:]
    assert "All found, nothing else, every page accounted for." in text
    assert "nothing differs" in text
    assert "\x1b[" not in text
    return text


@pytest.mark.timeout(320)
async def test_the_long_demo_finds_every_kind_of_finding() -> None:
    """Each kind is planted at least once, each is found, and none besides."""
    text = await played("--long", within_s=280)
    found = text[text.rindex("planted faults") :]
    assert [kind for kind in LONG_KINDS if kind not in found] == []
    # The demo's machine keeps its clock and its journal: test_clocks.py and test_damage.py harm them.
    # Receivers of alerts are not the college's: test_receivers_retired.py sends one away.
    not_planted = {"object-changed", "facts-lost", "fact-damaged", "clock-stepped", "clock-not-agreed"}
    not_planted |= {"receiver-retired"}
    # The college's printers count no colour: tests/cases has those that do.
    not_planted |= {"colour-under-mono"}
    # What test_gateway_checks.py plays.
    not_planted |= {"gateway-down"}
    # The college is one site: test_sites_behind.py has a centre's.
    not_planted |= {"site-behind"}
    design = {kind for kind in get_args(Kind) if kind not in not_planted}
    assert set(LONG_KINDS) == design
