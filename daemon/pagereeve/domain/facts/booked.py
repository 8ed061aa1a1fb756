"""The name of a release at the printer where a person booked it: a name belongs to one release of its source."""

from __future__ import annotations

from pagereeve.domain.facts.events import NAME_MAX


def booked_as(release: str, printer: str) -> str:
    return f"{release[: NAME_MAX // 2]} at {printer}"[:NAME_MAX]
