"""Canonical JSON (RFC 8785): ours against the library rfc8785, and against what the store writes with, in one run.

    python contrib/bench/canonical.py [--rounds 7] [--number 300]

The three take turns; a time is the best of the rounds. Absolute figures depend on the machine, ratios hardly do. Equal
bytes are checked first here, and for arbitrary values in tests/property/test_canonical_judge.py.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from typing import Any

import rfc8785
from figures import Figure, report

from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Origin, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.store.records.encoding import canonical_text

Writer = Callable[[Any], object]
AT_US = 1_700_000_000 * SECOND_US


def release_started() -> dict[str, Any]:
    ticket = Ticket(pages=4, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
    origin = Origin("urn:bench", "e1", AT_US, AT_US + 1000, AT_US)
    return to_json(ReleaseStarted("bench", origin, "r1", "job-1", "owner-1", ticket=ticket))


VALUES: dict[str, Any] = {
    "a release's start, as a fact": release_started(),
    "100 whole numbers": list(range(100)),
    "100 numbers with a fraction": [1.5, 0.1, 1e23, 3.33e-7, 12345.678] * 20,
    "90 texts, a third not ASCII": ["Zürich €", "plain", "line\nbreak"] * 30,
    "40 members, names not ASCII": {f"ü{nth}": {"a": nth, "b": None} for nth in range(40)},
}
WRITERS: dict[str, Writer] = {"rfc8785": rfc8785.dumps, "canonical": canonical, "canonical_text": canonical_text}


def best_us(value: Any, writers: Sequence[Writer], rounds: int, number: int) -> list[float]:
    """Microseconds a value, for each of the writers."""
    best = [float("inf")] * len(writers)
    for _ in range(rounds):
        for place, write in enumerate(writers):
            begun = time.perf_counter()
            for _ in range(number):
                write(value)
            best[place] = min(best[place], (time.perf_counter() - begun) / number * 1e6)
    return best


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--number", type=int, default=300, help="values a round")
    wanted = parser.parse_args()
    print("microseconds a value, and how many times as fast as rfc8785")
    print(f"{'':32} {'rfc8785':>9} {'canonical':>16} {'canonical_text':>16}")
    figures = []
    for name, value in VALUES.items():
        if not rfc8785.dumps(value) == canonical(value) == canonical_text(value).encode():
            raise SystemExit(f"{name}: the bytes differ")
        theirs, *ours = best_us(value, list(WRITERS.values()), wanted.rounds, wanted.number)
        print(f"{name:32} {theirs:9.1f}", *(f"{one:9.1f} {theirs / one:4.1f} x" for one in ours))
        figures.append(Figure(f"canonical bytes of {name}, speed", theirs / ours[0], "rfc8785"))
    return report(figures)


if __name__ == "__main__":
    raise SystemExit(main())
