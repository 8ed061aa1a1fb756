"""Small facts of one invented release, for tests of single stages."""

from __future__ import annotations

from pagereeve.domain.facts.facts import Origin, ReleaseEnded, ReleaseStarted

SOURCE = "urn:invented:server"


def origin(event: str, at_us: int = 0) -> Origin:
    return Origin(SOURCE, event, at_us, at_us)


def started(printer: str, at_us: int, release: str = "r") -> ReleaseStarted:
    return ReleaseStarted(printer, origin(f"s-{at_us}", at_us), release, job="j", owner="anise")


def ended(at_us: int, printer: str = "", release: str = "r") -> ReleaseEnded:
    return ReleaseEnded(printer, origin(f"e-{at_us}", at_us), release, "completed")
