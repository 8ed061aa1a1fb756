"""Who is let in at a door, and who gives way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container

import pytest

from pagereeve.feeds.admission import MOMENT_S, ConnectionLimits, Connections, Slot, peer_of
from pagereeve.feeds.stats import ConnectionReason

LIMITS = ConnectionLimits(connections_max=5, peer_max=3, strangers_max=2, opens_per_s=1.0, opens_burst=100.0)


class Hall:
    """Connections with a clock of ours, and a list of who was dropped."""

    def __init__(self, limits: ConnectionLimits = LIMITS, known_peers: Container[str] = ()) -> None:
        self.counts: Counter[ConnectionReason] = Counter()
        self.at_s = 0.0
        self.connections = Connections(limits, self.counts, lambda: self.at_s, known_peers)
        self.dropped: list[Slot] = []

    def enter(self, address: str = "192.0.2.1", *, known: bool = False) -> Slot:
        slot = self.connections.admit(address)
        assert slot is not None
        slot.drop = lambda: self.dropped.append(slot)
        if known:
            self.connections.know(slot)
        return slot

    def refused(self, address: str = "192.0.2.1") -> bool:
        return self.connections.admit(address) is None


@pytest.mark.parametrize(
    ("address", "peer"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:0:1::7", "2001:db8:0:1::/64"),
        ("2001:db8:0:1:ffff::9", "2001:db8:0:1::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("no address", "no address"),
    ],
)
def test_a_peer_is_an_address_or_a_network_that_one_host_has_to_itself(address: str, peer: str) -> None:
    assert peer_of(address) == peer


def test_strangers_of_one_peer_displace_the_one_that_was_silent_for_longest() -> None:
    hall = Hall()
    first, second = hall.enter(), hall.enter()
    hall.at_s = 1.0
    hall.connections.heard(first)
    third = hall.enter()
    assert hall.dropped == [second]
    assert hall.counts == {"displaced": 1}
    assert [first.dropped, second.dropped, third.dropped] == [False, True, False]
    assert len(hall.connections) == 2


def test_one_peer_has_no_more_than_its_share_and_others_still_enter() -> None:
    hall = Hall()
    for _ in range(3):
        hall.enter(known=True)
    assert hall.refused()
    assert hall.counts == {"peer-full": 1}
    hall.enter("192.0.2.2")
    assert hall.dropped == []


def test_a_full_door_gives_a_silent_strangers_place_to_a_newcomer_and_no_known_ones() -> None:
    hall = Hall()
    strangers = [hall.enter("192.0.2.1"), hall.enter("192.0.2.1")]
    hall.at_s = 1.0
    known = [hall.enter(f"192.0.2.{number}", known=True) for number in (2, 3, 4)]
    newcomer = hall.enter("192.0.2.5", known=True)
    hall.enter("192.0.2.6", known=True)
    assert hall.dropped == strangers
    assert hall.refused("192.0.2.7")
    assert hall.counts == {"displaced": 2, "full": 1}
    assert not any(slot.dropped for slot in (*known, newcomer))
    assert len(hall.connections) == 5


def test_silent_ones_from_many_peers_shut_no_configured_gateway_out() -> None:
    hall = Hall(known_peers={"198.51.100.1"})
    gateway = hall.enter("198.51.100.1")
    for number in range(1, 101):
        hall.at_s += 1.0
        hall.enter(f"192.0.2.{number}")
    hall.at_s += 1.0
    again = hall.enter("198.51.100.1")
    assert not gateway.dropped
    assert not again.dropped
    assert hall.counts["displaced"] == 97
    assert hall.counts["full"] == 0


def test_a_stranger_has_a_moment_to_speak_before_it_gives_way_to_its_own_kind() -> None:
    hall = Hall()
    first, _ = hall.enter(), hall.enter()
    hall.at_s = MOMENT_S - 0.1
    assert hall.refused()
    hall.at_s = MOMENT_S
    hall.enter()
    assert hall.dropped == [first]
    assert hall.counts == {"peer-full": 1, "displaced": 1}


def test_one_of_a_crowd_gives_way_at_once_to_one_that_comes_alone() -> None:
    limits = ConnectionLimits(connections_max=9, peer_max=9, strangers_max=8, opens_per_s=1.0, opens_burst=100.0)
    hall = Hall(limits)
    lone = hall.enter("192.0.2.2")
    crowd = [hall.enter() for _ in range(8)]
    newcomer = hall.enter("192.0.2.3")
    assert hall.dropped == crowd[:1]
    assert not lone.dropped
    assert not newcomer.dropped
    assert hall.refused("192.0.2.3")
    assert hall.counts == {"displaced": 1, "full": 1}


def test_a_place_is_free_again_at_the_end_and_two_ends_free_one() -> None:
    hall = Hall()
    slots = [hall.enter(known=True) for _ in range(3)]
    hall.connections.release(slots[0])
    hall.connections.release(slots[0])
    hall.enter(known=True)
    assert hall.refused()
    assert len(hall.connections) == 3


def test_new_ones_from_one_peer_come_at_a_rate() -> None:
    hall = Hall(ConnectionLimits(connections_max=50, peer_max=50, strangers_max=50, opens_per_s=2.0, opens_burst=3.0))
    for _ in range(3):
        hall.connections.release(hall.enter())
    assert hall.refused()
    hall.enter("192.0.2.2")
    hall.at_s = 0.5
    hall.enter()
    assert hall.counts == {"peer-rate": 1}


def test_what_was_ended_is_not_known_afterwards() -> None:
    hall = Hall()
    slot = hall.enter()
    hall.connections.end(slot, "silent")
    hall.connections.end(slot, "silent")
    hall.connections.know(slot)
    hall.connections.heard(slot)
    assert hall.counts == {"silent": 1}
    assert (hall.dropped, len(hall.connections)) == ([slot], 0)
