"""How much of the relay's time one peer may have: a burst, then a fifth; and nobody waits for another's."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from pagereeve.relay.turns import BURST_US, PEERS_MAX, SHARE, Turns


@dataclass
class Clock:
    now_us: int = 1_000_000

    def __call__(self) -> int:
        return self.now_us


def test_a_calm_peer_never_waits() -> None:
    clock = Clock()
    turns = Turns(clock)
    for _ in range(10_000):
        assert turns.took("192.0.2.1", 100) == 0
        clock.now_us += 100 * SHARE


def test_a_burst_is_free_and_then_each_turn_waits_for_its_share_to_come_back() -> None:
    clock = Clock()
    turns = Turns(clock)
    assert turns.took("192.0.2.1", BURST_US) == 0
    assert turns.took("192.0.2.1", 1_000) == 1_000 * SHARE
    clock.now_us += 1_000 * SHARE
    assert turns.took("192.0.2.1", 300) == 300 * SHARE
    clock.now_us += (BURST_US + 300) * SHARE
    assert turns.took("192.0.2.1", BURST_US) == 0


@pytest.mark.parametrize("connections", [1, 64])
def test_a_peer_has_one_share_whatever_the_number_of_its_connections(connections: int) -> None:
    clock = Clock()
    turns = Turns(clock)
    work_us, due_us = 0, [clock.now_us] * connections
    ends_us = clock.now_us + 10_000_000
    while (first := min(range(connections), key=due_us.__getitem__)) >= 0 and due_us[first] < ends_us:
        clock.now_us = max(clock.now_us, due_us[first])
        clock.now_us += 500
        work_us += 500
        due_us[first] = clock.now_us + turns.took("192.0.2.1", 500)
    assert work_us <= 10_000_000 / SHARE + BURST_US + 500 * connections


def test_what_one_peer_owes_is_no_others_and_only_so_many_are_remembered() -> None:
    turns = Turns(Clock())
    assert turns.took("192.0.2.1", 2 * BURST_US) > 0
    assert turns.took("192.0.2.2", BURST_US) == 0
    for nth in range(PEERS_MAX):
        turns.took(f"2001:db8::{nth:x}", 1)
    assert turns.took("192.0.2.1", BURST_US) == 0
