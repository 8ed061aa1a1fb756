"""Pages to decide on, from a CSV list: a heading, then a line for each."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final, get_args

from pagereeve.app.page_decisions import REQUESTS_MAX, PagesRequest
from pagereeve.domain.facts.page_decision import PageDecision, PagesReason
from pagereeve.domain.facts.ticket import PAGES_MAX
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text

COLUMNS: Final = ("release", "source", "finding", "printer", "closes", "channel", "pages", "reason", "text")
SIZE_MAX_BYTES: Final = 2**20


def requests_in(path: Path, said: PageDecision) -> list[PagesRequest]:
    """``said``: what holds for each line that does not say otherwise. Raises BadQuestion, which names the line."""
    try:
        if path.stat().st_size > SIZE_MAX_BYTES:
            raise BadQuestion("--list", f"{path} is larger than {SIZE_MAX_BYTES} bytes; split it")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(file, strict=True)
            unknown = [name for name in rows.fieldnames or () if name not in COLUMNS]
            if unknown or not rows.fieldnames:
                what = f"has the column {unknown[0][:40]!r}" if unknown else "has no heading"
                raise BadQuestion("--list", f"{path} {what}; known are {', '.join(COLUMNS)}")
            found = [_request(f"{path}, line {rows.line_num}", row, said) for row in rows]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadQuestion("--list", f"{path} can't be read: {error}") from error
    if len(found) > REQUESTS_MAX:
        raise BadQuestion("--list", f"{path} has {len(found)} lines; {REQUESTS_MAX} at once at most, split it")
    return found


def _request(where: str, row: Mapping[str | None, str | list[str] | None], said: PageDecision) -> PagesRequest:
    if None in row:
        raise BadQuestion(where, "has more cells than the heading")
    cells = {str(name): cell.strip() for name, cell in row.items() if isinstance(cell, str)}
    subjects = [name for name in ("release", "finding", "closes") if cells.get(name)]
    if len(subjects) != 1:
        raise BadQuestion(where, "must name one of release, finding and closes")
    reason = next((one for one in get_args(PagesReason) if one == cells.get("reason")), None)
    if cells.get("reason") and reason is None:
        raise BadQuestion(
            where, f"reason {cells['reason'][:40]!r} is not known; known are {', '.join(get_args(PagesReason))}"
        )
    told = replace(
        said,
        release_id=cells.get("release", ""),
        release_source=(cells.get("source") or said.release_source) if cells.get("release") else "",
        closes_us=from_text(cells["closes"], where) if cells.get("closes") else None,
        channel=cells.get("channel") or said.channel,
        pages=_pages(where, cells.get("pages", "")) or said.pages,
        reason=reason or said.reason,
        text=cells.get("text") or said.text,
    )
    return PagesRequest(where, told, cells.get("printer", ""), cells.get("finding", ""))


def _pages(where: str, text: str) -> int:
    if not text:
        return 0
    if not (text.isascii() and text.isdigit()) or not 0 < int(text[:12]) <= PAGES_MAX:
        raise BadQuestion(where, f"pages {text[:20]!r} is no number from 1 to {PAGES_MAX}")
    return int(text)
