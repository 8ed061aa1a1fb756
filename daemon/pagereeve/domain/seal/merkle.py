"""The Merkle tree over entries: RFC 9162 section 2.1, with SHA-256. Nothing here holds more than a path of the tree."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

Range = tuple[int, int]
"""Entries from the first number on, and before the second, from 0."""


def leaf_hash(entry: bytes) -> bytes:
    """Section 2.1.1: of one entry."""
    return hashlib.sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Section 2.1.1: of two subtrees."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(slots=True)
class Frontier:
    """A tree that grows at its right edge: the heads of its complete subtrees, the largest first, at most 64."""

    size: int = 0
    peaks: list[bytes] = field(default_factory=list)

    def add(self, leaf: bytes) -> None:
        size, head = self.size, leaf
        while size & 1:
            head = node_hash(self.peaks.pop(), head)
            size >>= 1
        self.peaks.append(head)
        self.size += 1

    def head(self) -> bytes:
        """The Merkle Tree Hash, MTH(D_n) of section 2.1.1; of no entries, that of the empty string."""
        if not self.peaks:
            return hashlib.sha256(b"").digest()
        head = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            head = node_hash(peak, head)
        return head

    def copy(self) -> Frontier:
        return Frontier(self.size, list(self.peaks))


def head_of(leaves: Iterable[bytes]) -> bytes:
    """Of leaf hashes, in order."""
    tree = Frontier()
    for leaf in leaves:
        tree.add(leaf)
    return tree.head()


def _split(size: int) -> int:
    """The largest power of two below ``size``, which is 2 or more."""
    return 1 << (size - 1).bit_length() - 1


def inclusion_ranges(index: int, size: int) -> list[Range]:
    """The subtrees whose heads are PATH(m, D_n) of section 2.1.3.1, in its order.

    Raises ValueError unless ``index`` (from 0) is below ``size``.
    """
    if not 0 <= index < size:
        raise ValueError(f"a tree of {size} entries has no entry {index}")
    start, end, ranges = 0, size, list[Range]()
    while end - start > 1:
        middle = start + _split(end - start)
        if index < middle:
            ranges.append((middle, end))
            end = middle
        else:
            ranges.append((start, middle))
            start = middle
    return ranges[::-1]


def consistency_ranges(old_size: int, size: int) -> list[Range]:
    """The subtrees whose heads are PROOF(m, D_n) of section 2.1.4.1, in its order.

    Raises ValueError unless ``old_size`` is from 1 to ``size``.
    """
    if not 0 < old_size <= size:
        raise ValueError(f"a tree of {size} entries did not grow from one of {old_size}")
    start, end, known, ranges = 0, size, True, list[Range]()
    while old_size != end:
        middle = start + _split(end - start)
        if old_size <= middle:
            ranges.append((middle, end))
            end = middle
        else:
            ranges.append((start, middle))
            start, known = middle, False
    return [*([] if known else [(start, end)]), *ranges[::-1]]


class PathHeads:
    """The heads of a path's subtrees, from the leaves of the whole tree as they come by, each once and in order."""

    def __init__(self, ranges: Sequence[Range]) -> None:
        self._ranges = tuple(ranges)
        self._heads = {one: Frontier() for one in ranges}
        self._left = sorted(ranges, reverse=True)
        self._count = 0

    def add(self, leaf: bytes) -> None:
        index, self._count = self._count, self._count + 1
        while self._left and self._left[-1][1] <= index:
            self._left.pop()
        if self._left and self._left[-1][0] <= index:
            self._heads[self._left[-1]].add(leaf)

    def path(self) -> list[bytes]:
        return [self._heads[one].head() for one in self._ranges]


def head_from_inclusion(leaf: bytes, index: int, size: int, path: Sequence[bytes]) -> bytes | None:
    """The head that a path leads to (section 2.1.3.2); None where it is no path of such a tree."""
    if not 0 <= index < size:
        return None
    node, last, head = index, size - 1, leaf
    for part in path:
        if last == 0:
            return None
        if node & 1 or node == last:
            head = node_hash(part, head)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            head = node_hash(head, part)
        node, last = node >> 1, last >> 1
    return head if last == 0 else None


def is_consistent(old_size: int, size: int, old_head: bytes, head: bytes, path: Sequence[bytes]) -> bool:
    """Did the larger tree grow from the smaller one (section 2.1.4.2)?"""
    if old_size == size:
        return not path and old_head == head
    if not 0 < old_size < size or not path:
        return False
    parts = list(path) if old_size & (old_size - 1) else [old_head, *path]
    node, last = old_size - 1, size - 1
    while node & 1:
        node, last = node >> 1, last >> 1
    old = new = parts[0]
    for part in parts[1:]:
        if last == 0:
            return False
        if node & 1 or node == last:
            old, new = node_hash(part, old), node_hash(part, new)
            while not node & 1 and node:
                node, last = node >> 1, last >> 1
        else:
            new = node_hash(new, part)
        node, last = node >> 1, last >> 1
    return last == 0 and old == old_head and new == head
