"""In the running daemon: sums whose parts are reset, totals that stand, units that are learnt or contradicted.

One daemon, a printer for each, four releases in turn; then the daemon starts again, and no row differs.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pagereeve.app.daemon import App
from pagereeve.app.replay import check_journal
from pagereeve.domain.facts.facts import Fact, SettleLearned, ShownBy, UnitLearned
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Finding, Verdict
from pagereeve.settings import Duration, PrinterSettings, Settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.integration.daemon import SOURCE, Outside, hasty_settings, until
from tests.printers import HP, LIFE, UNIT, of_maker
from tests.snmp_agents import Mib, MibAgent, counter, mib_agent, printer_mib, small

HP_LASER = "11.2.3.9.1"
MONO, COLOUR = f"{HP}.6.0", f"{HP}.7.0"
FIRST_MARKER, SECOND_MARKER = f"{LIFE}.1.1", f"{LIFE}.1.2"
ROUNDS = 4
# What is read within the first-page floor after a start is still before it.
AFTER_FLOOR_S = 0.15
AGREES, UNPROVEN, SURPLUS, SHORTFALL = Verdict.AGREES, Verdict.UNPROVEN, Verdict.SURPLUS, Verdict.SHORTFALL


@dataclass(frozen=True)
class Told:
    """One printer: what it counts from, how its objects move at each release, and what must come of that."""

    mib: Mib
    moves: tuple[Mapping[str, int], ...]
    pages: int
    verdicts: tuple[Verdict, ...]
    charged: tuple[int, ...]
    findings: set[tuple[str, str]]
    two_sided: bool = False
    unit: Literal["impressions", "sheets"] | None = None


def colours(mono: int, colour: int) -> Mib:
    """A total is made of the two: the standard's own stands at 0."""
    return of_maker(HP_LASER, {MONO: small(mono), COLOUR: small(colour)}, count=0)


def again(**moves: int) -> tuple[dict[str, int], ...]:
    named = {"mono": MONO, "first": FIRST_MARKER, "second": SECOND_MARKER, "total": f"{HP}.5.0"}
    return ({named[name]: by for name, by in moves.items()},) * ROUNDS


def of_unknown_unit() -> Mib:
    mib = printer_mib(5_000)
    del mib[f"{UNIT}.1.1"]
    return mib


PRINTERS = {
    # The second release finds one part at 0, while the other went on.
    "partial": Told(
        colours(11_000, 4_000),
        ({MONO: 6}, {MONO: 6, COLOUR: -4_000}, {MONO: 6}, {MONO: 6}),
        pages=6,
        verdicts=(AGREES, UNPROVEN, AGREES, AGREES),
        charged=(6, 0, 6, 6),
        findings={("meter-went-back", "open"), ("unproven-release", "open")},
    ),
    # 12,000 -> 12,950 and 900 -> 0: the sum moves by the 50 that were released, and 900 pages were never counted.
    "masked": Told(
        colours(12_000, 900),
        ({MONO: 50}, {MONO: 950, COLOUR: -900}, {MONO: 50}, {MONO: 50}),
        pages=50,
        verdicts=(AGREES, UNPROVEN, AGREES, AGREES),
        charged=(50, 0, 50, 50),
        findings={("meter-went-back", "open"), ("unproven-release", "open")},
    ),
    "dead": Told(
        of_maker(HP_LASER, {f"{HP}.5.0": small(15_000)}, count=0),
        again(total=6),
        pages=6,
        verdicts=(AGREES,) * ROUNDS,
        charged=(6,) * ROUNDS,
        findings=set(),
    ),
    # The agent says sheets, and eight two-sided pages move it by eight.
    "liar": Told(
        printer_mib(5_000, unit=8),
        again(first=8),
        pages=8,
        verdicts=(SURPLUS,) * ROUNDS,
        charged=(4,) * ROUNDS,
        findings={("surplus", "open"), ("unit-contradicted", "open"), ("diagnosis", "open")},
        two_sided=True,
    ),
    # The agent is right, and the registry is not.
    "registered": Told(
        printer_mib(5_000, unit=8),
        again(first=4),
        pages=8,
        verdicts=(SHORTFALL,) * ROUNDS,
        charged=(4,) * ROUNDS,
        findings={("shortfall", "open"), ("unit-contradicted", "open"), ("diagnosis", "open")},
        two_sided=True,
        unit="impressions",
    ),
    # The first marker is read and never moves.
    "two-markers": Told(
        printer_mib(9_000) | {SECOND_MARKER: counter(8_000), f"{UNIT}.1.2": small(7)},
        again(second=6),
        pages=6,
        verdicts=(SHORTFALL,) * 3 + (AGREES,),
        charged=(0, 0, 0, 6),
        findings={
            ("shortfall", "open"),
            ("meter-stands-still", "closed"),
            ("witnesses-disagree", "closed"),
            ("object-changed", "closed"),
        },
    ),
    # Nobody says what it counts: two releases show that it is sheets, and from then on two-sided work is charged.
    "unknown": Told(
        of_unknown_unit(),
        again(first=4),
        pages=8,
        verdicts=(AGREES,) * ROUNDS,
        charged=(0, 0, 4, 4),
        findings={("unit-assumed", "closed")},
        two_sided=True,
    ),
}


def settings_of(folder: Path, ports: Mapping[str, int]) -> Settings:
    printers = [
        PrinterSettings(name=name, host="127.0.0.1", port=ports[name], unit=told.unit)
        for name, told in PRINTERS.items()
    ]
    hasty = hasty_settings(folder, printers)
    sooner = {"settle": Duration.of("600ms"), "unmoved_wait": Duration.of("1s")}
    return hasty.model_copy(update={"policy": hasty.policy.model_copy(update=sooner)})


@asynccontextmanager
async def all_agents() -> AsyncIterator[tuple[dict[str, MibAgent], dict[str, int]]]:
    agents = {name: MibAgent(dict(told.mib)) for name, told in PRINTERS.items()}
    async with AsyncExitStack() as stack:
        ports = {name: (await stack.enter_async_context(mib_agent(one))).port for name, one in agents.items()}
        yield agents, ports


def move(agent: MibAgent, moves: Mapping[str, int]) -> None:
    for name, by in moves.items():
        tag, content = agent.mib[name]
        value = int.from_bytes(content, "big") + by
        agent.mib[name] = (tag, value.to_bytes(value.bit_length() // 8 + 1, "big"))


async def a_release(outside: Outside, name: str, nth: int, agent: MibAgent) -> Charge:
    told, release = PRINTERS[name], f"{name}-{nth}"
    sides = "two-sided-long-edge" if told.two_sided else "one-sided"
    ticket = {"pages": told.pages, "copies": 1, "sides": sides, "number_up": 1, "separator_sheets": 0}
    data = {"release": release, "job": f"job-{release}", "owner": "user-anise", "printer": name, "ticket": ticket}
    sent = await outside.send("pagereeve.release.started.v1", f"{release}.started", data, Prefer="wait=5")
    assert sent.status_code == 200
    await asyncio.sleep(AFTER_FLOOR_S)
    move(agent, told.moves[min(nth, ROUNDS - 1)])
    assert (await outside.ended(release)).status_code == 200

    async def look() -> Charge | None:
        charges = await outside.app.store.charges_of(release)
        return next((one for one in charges if one.channel == "total" and one.closed_us is not None), None)

    return await until(look, f"a closed charge of the total of {release}")


async def rows(app: App) -> tuple[list[Charge], list[Finding]]:
    """All charges of the day, and all findings."""
    charges: list[Charge] = []
    for name in PRINTERS:
        for nth in range(ROUNDS):
            known = await app.store.charges_of(f"{name}-{nth}")
            charges += sorted(known, key=lambda one: one.channel)
    findings = await app.store.findings(only_open=False)
    return charges, sorted(findings, key=lambda one: one.id)


def units_learnt(facts: Sequence[Fact]) -> list[UnitLearned]:
    return [unit for one in facts if isinstance(one, SettleLearned) for unit in one.units]


def moving(facts: Sequence[Fact]) -> set[str]:
    """Objects that were chosen because they move with the releases."""
    chosen = [choice for one in facts if isinstance(one, SettleLearned) for choice in one.chosen]
    return {one.object for one in chosen if one.reason == "moves-with-releases"}


def finding(findings: Sequence[Finding], printer: str, kind: str) -> Finding:
    (found,) = (one for one in findings if (one.printer, one.kind) == (printer, kind))
    return found


async def test_a_day_of_counters_that_do_not_all_tell_the_truth(tmp_path: Path) -> None:
    async with all_agents() as (agents, ports):
        settings = settings_of(tmp_path, ports)
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            for name in PRINTERS:
                await outside.first_reading(name)
            for nth in range(ROUNDS):
                done = await asyncio.gather(*(a_release(outside, name, nth, agents[name]) for name in PRINTERS))
                for (name, told), one in zip(PRINTERS.items(), done, strict=True):
                    assert (one.verdict, one.charged) == (told.verdicts[nth], told.charged[nth]), (name, nth)
            charges, findings = await rows(app)
            facts = {name: [one.fact async for one in app.store.facts(name)] for name in PRINTERS}
        for name, told in PRINTERS.items():
            assert {(one.kind, one.state) for one in findings if one.printer == name} == told.findings, name
        its_part_that_fell(findings)
        what_was_learnt(facts)
        what_was_contradicted(findings)
        await the_same_after_a_restart(settings, agents, charges, findings)
    report = await check_journal(tmp_path / JOURNAL_NAME)
    assert (report.differing, list(report.damaged)) == ([], [])


def its_part_that_fell(findings: Sequence[Finding]) -> None:
    for name, before in (("partial", 4_000), ("masked", 900)):
        what = finding(findings, name, "meter-went-back").what
        assert [what.value(one) for one in ("part", "part_before", "part_after")] == [COLOUR, before, 0]


def what_was_learnt(facts: Mapping[str, Sequence[Fact]]) -> None:
    assert {name: moving(ones) for name, ones in facts.items() if moving(ones)} == {"two-markers": {SECOND_MARKER}}
    assert [name for name, ones in facts.items() if units_learnt(ones)] == ["unknown"]
    unit = units_learnt(facts["unknown"])[-1]
    assert (unit.object, unit.unit) == (FIRST_MARKER, Unit.SHEETS)
    assert unit.releases == (ShownBy(SOURCE, "unknown-0"), ShownBy(SOURCE, "unknown-1"))


def what_was_contradicted(findings: Sequence[Finding]) -> None:
    for name, given, shown in (("liar", "sheets", "impressions"), ("registered", "impressions", "sheets")):
        what = finding(findings, name, "unit-contradicted").what
        assert (what.value("given"), what.value("unit")) == (given, shown)


async def the_same_after_a_restart(
    settings: Settings, agents: Mapping[str, MibAgent], charges: Sequence[Charge], findings: Sequence[Finding]
) -> None:
    """No row is another one, and what was learnt is still known."""
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        for name in PRINTERS:
            await outside.first_reading(name)
        assert await rows(app) == (charges, findings)
        again = ("two-markers", "unknown", "masked")
        done = await asyncio.gather(*(a_release(outside, name, ROUNDS, agents[name]) for name in again))
        for name, one in zip(again, done, strict=True):
            assert (one.verdict, one.charged) == (AGREES, PRINTERS[name].charged[-1]), name
