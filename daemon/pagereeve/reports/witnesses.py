"""What a printer's other counters moved by between two readings, where that is not what the billed one counted."""

from __future__ import annotations

from collections.abc import Iterator

from pagereeve.domain.facts.reading import Count, Counter, Plateau, Unit


def apart_text(before: Plateau, after: Plateau) -> str:
    """Each witness that disagrees, with its value and by how much it moved; empty where none does.

    Movements are compared, never levels. Of units that differ, or are not known, only a standstill beside a movement is
    a disagreement. A counter that fell is another matter: its run ended.
    """
    told = [
        f"; another counter of {channel} disagrees: {one.value}, moved by {moved} where the billed one moved by {pages}"
        f" ({one.object}, {one.source})"
        for channel, count in after.sight.counts
        for one, moved, pages in _apart(channel, count, before, after)
    ]
    return "".join(told)


def _apart(channel: str, count: Count, before: Plateau, after: Plateau) -> Iterator[tuple[Counter, int, int]]:
    old = before.sight.count(channel)
    if old is None or old.object != count.object or count.value < old.value:
        return
    pages, known = count.value - old.value, _witnesses(channel, count, before)
    for name, one in _witnesses(channel, count, after).items():
        if name not in known or one.value < known[name].value:
            continue
        moved = one.value - known[name].value
        comparable = one.unit is count.unit and one.unit is not Unit.UNKNOWN
        if moved != pages if comparable else (moved == 0) is not (pages == 0):
            yield one, moved, pages


def _witnesses(channel: str, billed: Count, plateau: Plateau) -> dict[str, Counter]:
    counters = plateau.sight.counters
    return {
        one.object: one for one in counters if one.channel == channel and not one.part and one.object != billed.object
    }
