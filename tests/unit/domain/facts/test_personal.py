"""Which members are personal is part of how facts are sealed: journals stand that were sealed so."""

from __future__ import annotations

from pagereeve.domain.facts.personal import PERSONAL

# A name may be added at the end of a line; none is ever changed, moved or removed.
SEALED_SO = {
    "pagereeve.badge.presented.v1": ("data.badge", "id"),
    "pagereeve.release.started.v1": (
        *("data.owner", "data.badge", "data.job", "data.queue", "data.was", "data.ticket.title"),
    ),
    "pagereeve.printer.noted.v1": ("data.text",),
    "pagereeve.finding.decided.v1": ("data.by", "data.text"),
    "assigned": ("owner",),
    "bound": ("badge", "owner"),
    "redated": ("by", "reason"),
    "erased": ("by",),
    "period-closed": ("by", "reason"),
    "conflict": ("digest", "id"),
    "person-named": ("text", "by"),
    "people-merged": ("by", "reason"),
    "merge-undone": ("by", "reason"),
    "names-shown": ("by",),
    "facts-archived": ("by",),
}


def test_what_was_personal_when_it_was_sealed_is_so_still() -> None:
    assert {kind: tuple(PERSONAL[kind])[: len(names)] for kind, names in SEALED_SO.items()} == SEALED_SO
