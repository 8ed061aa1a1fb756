"""Token buckets by key, in bounded memory: how much somebody may do at once, and then how fast."""

from __future__ import annotations

from typing import Final

KEYS_MAX: Final = 4_096


class Buckets:
    """A bucket for each key holds ``burst`` at most and gets ``rate_per_s``; a key not seen before has a full one.

    A key costs one number: when its bucket will be full (the generic cell rate algorithm, ITU-T I.371 annex A). Of
    more than ``keys_max`` keys those are forgotten that are full, or else the half that will be full first.
    """

    def __init__(self, rate_per_s: float, burst: float, keys_max: int = KEYS_MAX) -> None:
        self._rate_per_s = rate_per_s
        self._burst = burst
        self._keys_max = keys_max
        self._full_at_s: dict[str, float] = {}

    def __len__(self) -> int:
        return len(self._full_at_s)

    def wait_s(self, key: str, now_s: float, cost: float = 1.0) -> float:
        """How long until the bucket holds ``cost`` (or all that it can hold); 0 if it does now. Takes nothing."""
        missing = min(cost, self._burst) - self.held(key, now_s)
        return max(missing / self._rate_per_s, 0.0)

    def take(self, key: str, now_s: float, cost: float = 1.0) -> float:
        """As ``wait_s``; where that is 0, the cost is taken."""
        wait_s = self.wait_s(key, now_s, cost)
        if wait_s == 0.0:
            self.charge(key, now_s, cost)
        return wait_s

    def charge(self, key: str, now_s: float, cost: float) -> None:
        """Take what was spent already, though the bucket may then owe."""
        full_at_s = max(self._full_at_s.pop(key, now_s), now_s) + cost / self._rate_per_s
        if len(self._full_at_s) >= self._keys_max:
            self._forget(now_s)
        self._full_at_s[key] = full_at_s

    def held(self, key: str, now_s: float) -> float:
        """What the bucket holds; less than 0 where it owes."""
        return self._burst - max(self._full_at_s.get(key, now_s) - now_s, 0.0) * self._rate_per_s

    def _forget(self, now_s: float) -> None:
        kept = {key: full for key, full in self._full_at_s.items() if full > now_s}
        if len(kept) >= self._keys_max:
            longest = sorted(kept, key=lambda key: kept[key])[len(kept) // 2 :]
            kept = {key: kept[key] for key in longest}
        self._full_at_s = kept
