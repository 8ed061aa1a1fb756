"""A gateway's own sign of life on a held clock: one failure is a glitch, two are a fact, one answer ends it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

import pytest

from pagereeve.domain.badges.projector import badge_findings
from pagereeve.domain.facts.facts import Fact, GatewayChecked
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import Finding
from pagereeve.engine.gateways.checker import FRESH_S, GatewayChecker
from pagereeve.ports.gateways import GatewayCheck
from pagereeve.ports.journal import Receipt
from pagereeve.ports.telemetry import GatewayTelemetry

FIRST, SECOND = GatewayCheck("gate-1", "192.0.2.1", 22), GatewayCheck("gate-2", "192.0.2.2", 161, "snmp")
NOON_US = 1_795_600_000_000_000


class HeldClock:
    """Time passes only by sleeping, and whoever sleeps lets the others run."""

    def __init__(self) -> None:
        self.passed_us = 0

    def now_us(self) -> int:
        return NOON_US + self.passed_us

    def monotonic_us(self) -> int:
        return self.passed_us

    async def sleep(self, seconds: float) -> None:
        self.passed_us += int(seconds * 1_000_000)
        for _ in range(5):
            await asyncio.sleep(0)


class Even:
    def request_id(self) -> int:
        return 1

    def jitter(self) -> float:
        return 0.5


class Network:
    """What each gateway's next checks come to; the last answer is given for good."""

    def __init__(self, **said: Sequence[str]) -> None:
        self.said = {name.replace("_", "-"): list(answers) for name, answers in said.items()}
        self.asked: list[str] = []

    async def why_not(self, check: GatewayCheck, timeout_s: float) -> str:
        assert 0 < timeout_s < 10
        self.asked.append(check.gateway)
        answers = self.said.get(check.gateway, [""])
        return answers.pop(0) if len(answers) > 1 else answers[0]


class Journal:
    def __init__(self) -> None:
        self.facts: list[Fact] = []
        self.clock = HeldClock()

    async def append(self, fact: Fact) -> Receipt:
        self.facts.append(fact)
        return Receipt("stored", len(self.facts))

    async def findings(self, *, only_open: bool = False, printer: str | None = None) -> list[Finding]:
        assert only_open
        assert printer is None
        return [one for one in self.all_findings() if one.state == "open"]

    async def finding(self, name: str) -> Finding | None:
        return next((one for one in self.all_findings() if one.id == name), None)

    def all_findings(self) -> list[Finding]:
        return badge_findings(SiteRules(), [one for one in self.facts if isinstance(one, GatewayChecked)])

    def states(self) -> list[tuple[str, str]]:
        return [(one.gateway, one.state) for one in self.facts if isinstance(one, GatewayChecked)]


async def checked(network: Network, journal: Journal, *checks: GatewayCheck) -> GatewayChecker:
    checker = GatewayChecker(network, journal, journal.clock, Even(), every_s=30.0)
    await checker.open(checks)
    return checker


async def until(checker: GatewayChecker, so: Callable[[], bool], turns: int = 2_000) -> None:
    """Let the loop run until it is so."""
    loop = asyncio.create_task(checker.run())
    try:
        for _ in range(turns):
            if so():
                return
            if loop.done():
                loop.result()
            await asyncio.sleep(0)
        raise AssertionError("it never came about")
    finally:
        loop.cancel()
        await asyncio.gather(loop, return_exceptions=True)
        await checker.close()


async def test_its_figures_say_since_when_and_nothing_before_the_first_look() -> None:
    network, journal = Network(gate_1=["", "no connection", "no connection", ""]), Journal()
    checker = await checked(network, journal, FIRST, SECOND)
    assert checker.telemetry() == {"gate-1": GatewayTelemetry(), "gate-2": GatewayTelemetry()}
    seen: list[GatewayTelemetry] = []

    def changed() -> bool:
        known = checker.telemetry()["gate-1"]
        if known.up is not None and (not seen or seen[-1] != known):
            seen.append(known)
        return len(seen) == 3

    await until(checker, changed)
    assert [one.up for one in seen] == [True, False, True]
    times = [one.changed_us or 0 for one in seen]
    assert NOON_US <= times[0] < times[1] < times[2] <= journal.clock.now_us()


async def test_one_failure_is_a_glitch() -> None:
    network, journal = Network(gate_1=["no connection", ""]), Journal()
    checker = await checked(network, journal, FIRST)
    await until(checker, lambda: len(network.asked) > 4)
    assert journal.facts == []
    assert await checker.word("gate-1") == "answers"


async def test_two_failures_are_a_fact_told_once_and_one_answer_ends_it() -> None:
    network, journal = Network(gate_1=["away", "away", "away", "away", ""]), Journal()
    heard: list[Fact] = []
    checker = await checked(network, journal, FIRST, SECOND)
    checker.accept = heard.append
    await until(checker, lambda: len(journal.facts) == 2)
    assert journal.states() == [("gate-1", "down"), ("gate-1", "up")]
    assert heard == journal.facts
    down = journal.facts[0]
    assert isinstance(down, GatewayChecked)
    assert (down.check, down.why) == ("tcp 192.0.2.1:22", "away")
    (finding,) = journal.all_findings()
    assert (finding.kind, finding.state, finding.severity) == ("gateway-down", "closed", "critical")
    assert network.asked.count("gate-2") > 0


async def test_a_silent_meter_has_the_gateway_looked_at_at_once_and_once_for_all_behind_it() -> None:
    network, journal = Network(gate_1=["", "away"]), Journal()
    checker = await checked(network, journal, FIRST)
    assert await checker.word("gate-1") == "answers"
    # So soon afterwards nobody looks again.
    assert await checker.word("gate-1") == "answers"
    assert len(network.asked) == 1
    await checker.clock.sleep(2 * FRESH_S)
    words = await asyncio.gather(*(checker.word("gate-1") for _ in range(20)))
    assert set(words) == {"down"}
    # Two looks that failed, and none more for twenty printers.
    assert len(network.asked) == 3
    assert await checker.word("gate-2") == ""
    await checker.close()


async def test_what_was_down_before_a_restart_is_down_until_a_check_succeeds() -> None:
    journal = Journal()
    await until(
        await checked(Network(gate_1=["away"]), journal, FIRST), lambda: journal.states() == [("gate-1", "down")]
    )
    network = Network(gate_1=["away", "away", ""])
    await until(await checked(network, journal, FIRST), lambda: len(journal.facts) > 1)
    assert journal.states() == [("gate-1", "down"), ("gate-1", "up")]


@pytest.mark.parametrize("restarted", [True, False])
async def test_a_gateway_that_is_checked_no_more_is_no_longer_said_to_be_down(*, restarted: bool) -> None:
    journal = Journal()
    checker = await checked(Network(gate_1=["away"]), journal, FIRST)
    await until(checker, lambda: journal.states() == [("gate-1", "down")])
    if restarted:
        checker = await checked(Network(), journal)
    else:
        checker.change([])
    await until(checker, lambda: len(journal.facts) > 1)
    assert journal.states() == [("gate-1", "down"), ("gate-1", "up")]
    assert [one.state for one in journal.all_findings()] == ["closed"]


async def test_a_fault_of_the_look_is_the_supervisors() -> None:
    class Broken(Network):
        async def why_not(self, check: GatewayCheck, timeout_s: float) -> str:
            raise RuntimeError(f"{check.gateway}, {timeout_s}")

    checker = await checked(Broken(), Journal(), FIRST)
    with pytest.raises(RuntimeError, match="gate-1"):
        await until(checker, lambda: False)
