"""How many slips of the hand lie between two names."""

from __future__ import annotations


def edits(one: str, other: str) -> int:
    """Letters put in, left out, exchanged or swapped with a neighbour, each part once (optimal string alignment, after
    Damerau: Communications of the ACM 7 (1964) 171, from memory). Work in proportion to the product of the lengths.
    """
    before: list[int] = []
    row = list(range(len(other) + 1))
    for place, letter in enumerate(one, 1):
        before, above, row = row, before, [place]
        for column, theirs in enumerate(other, 1):
            least = min(before[column] + 1, row[column - 1] + 1, before[column - 1] + (letter != theirs))
            if place > 1 and column > 1 and letter == other[column - 2] and one[place - 2] == theirs:
                least = min(least, above[column - 2] + 1)
            row.append(least)
    return row[-1]
