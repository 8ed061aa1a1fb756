"""When a printer's meter is read next. Pure: the poll state in, seconds out."""

from __future__ import annotations

from dataclasses import dataclass

OLD_WINDOW_S = 600.0
OLD_WINDOW_POLL_S = 60.0
DUE_LEAST_S = 0.05
# Whether a meter merely lost a datagram or stopped answering shows within minutes; only then is it left in peace.
RETRY_FIRST_S = 60.0
# Two readings three seconds apart prove that the meter rests: who waits for that is held up as little as may be.
PROVING_S = 1.5


@dataclass(frozen=True, slots=True)
class PollPolicy:
    """The operator's settings, in seconds. ``jitter`` is a share of the baseline."""

    baseline_s: float = 900.0
    jitter: float = 0.2
    first_s: float = 1.0
    longest_s: float = 10.0
    growth: float = 2.0
    sleeper_max_s: float = 4 * 3600.0
    timeout_s: float = 6.0


@dataclass(frozen=True, slots=True)
class PollState:
    """What the reader knows: whether anything waits for the meter to rest, and how the last reads went.

    ``due_s`` is how soon the next window closes if the meter goes on resting; None if it does not rest. ``interval_s``
    is the last interval used while something was open; ``stirred`` says that a notice came or the count
    moved since; ``failures`` counts failed reads in a row; ``proving``: somebody waits for the meter to rest.
    """

    waiting: bool
    oldest_wait_s: float
    due_s: float | None
    interval_s: float
    stirred: bool
    failures: int
    proving: bool = False


def next_interval_s(poll_policy: PollPolicy, poll_state: PollState, jitter: float) -> float:
    """Seconds until the next read. ``jitter`` is a draw from [0, 1) that keeps a fleet from asking in step."""
    if not poll_state.waiting:
        base_s = poll_policy.baseline_s
        if poll_state.failures:
            back_off_s = min(RETRY_FIRST_S, base_s) * 2 ** min(poll_state.failures - 1, 20)
            base_s = min(back_off_s, max(poll_policy.sleeper_max_s, base_s))
        return base_s * (1 + poll_policy.jitter * (2 * jitter - 1))
    if poll_state.stirred:
        return poll_policy.first_s
    interval_s = _waiting_interval_s(poll_policy, poll_state)
    return min(interval_s, PROVING_S) if poll_state.proving else interval_s


def _waiting_interval_s(poll_policy: PollPolicy, poll_state: PollState) -> float:
    if poll_state.due_s is not None and poll_state.due_s <= poll_policy.longest_s:
        # At rest, and settling: the reading that closes the window comes when it can close it, and not sooner.
        return max(poll_state.due_s, DUE_LEAST_S)
    # A jam over the weekend needs no reading every ten seconds.
    longest_s = (
        max(poll_policy.longest_s, OLD_WINDOW_POLL_S)
        if poll_state.oldest_wait_s > OLD_WINDOW_S
        else poll_policy.longest_s
    )
    return min(max(poll_state.interval_s, poll_policy.first_s) * poll_policy.growth, longest_s)
