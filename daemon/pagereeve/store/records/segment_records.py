"""Whole segments as rows of all their tables, both ways."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pagereeve.domain.ledger import RowSegment
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.ledger_records import (
    AnyRow,
    Columns,
    charge_columns,
    charge_of,
    evidence_columns,
    finding_columns,
    finding_of,
    leg_columns,
    posting_columns,
    posting_of,
    release_columns,
    stretch_columns,
    stretch_of,
)

RowsByTable = Mapping[str, Sequence[AnyRow]]
_NONE: Final[Sequence[AnyRow]] = ()


def segment_rows(segments: Iterable[RowSegment]) -> Mapping[str, Sequence[Columns]]:
    """Rows by table name. Raises BadCanonical for a resume point or reason that has no canonical form."""
    rows: dict[str, list[Columns]] = defaultdict(list)
    for segment in segments:
        resume_point = None if segment.resume_point is None else canonical_text(segment.resume_point)
        rows["row_segment"].append(
            {"printer": segment.printer, "anchor_us": segment.anchor_us, "resume_point": resume_point}
        )
        for ordinal, stretch in enumerate(segment.stretches):
            rows["stretch"].append(_part_key(segment, ordinal) | stretch_columns(stretch))
        for ordinal, charge in enumerate(segment.charges):
            rows["charge"].append(_part_key(segment, ordinal) | charge_columns(charge))
        for ordinal, posting in enumerate(segment.postings):
            key = _part_key(segment, ordinal)
            rows["posting"].append(key | posting_columns(posting))
            rows["leg"] += _placed(key, leg_columns(posting))
        for ordinal, finding in enumerate(segment.findings):
            key = _part_key(segment, ordinal)
            rows["finding"].append(key | finding_columns(finding))
            rows["evidence"] += _placed(key, evidence_columns(finding))
            rows["finding_release"] += [key | one for one in release_columns(finding)]
    return rows


def _part_key(segment: RowSegment, ordinal: int) -> Columns:
    return {"printer": segment.printer, "anchor_us": segment.anchor_us, "ordinal": ordinal}


def _placed(key: Columns, items: Sequence[Columns]) -> list[Columns]:
    return [key | item | {"place": place} for place, item in enumerate(items)]


def segments_of(rows: RowsByTable) -> list[RowSegment]:
    """The inverse of ``segment_rows``; each table's rows come in order of their primary key."""
    parts = {name: _by_segment(rows.get(name, _NONE)) for name in ("stretch", "charge", "posting", "finding")}
    legs, shown = by_part(rows.get("leg", _NONE)), by_part(rows.get("evidence", _NONE))
    releases = by_part(rows.get("finding_release", _NONE))
    segments = []
    for row in rows.get("row_segment", _NONE):
        key = (row.printer, row.anchor_us)
        segments.append(
            RowSegment(
                printer=row.printer,
                anchor_us=row.anchor_us,
                resume_point=None if row.resume_point is None else json.loads(row.resume_point),
                stretches=tuple(map(stretch_of, parts["stretch"].get(key, _NONE))),
                charges=tuple(map(charge_of, parts["charge"].get(key, _NONE))),
                postings=tuple(
                    posting_of(part, legs.get((*key, part.ordinal), _NONE)) for part in parts["posting"].get(key, _NONE)
                ),
                findings=tuple(
                    finding_of(part, shown.get((*key, part.ordinal), _NONE), releases.get((*key, part.ordinal), _NONE))
                    for part in parts["finding"].get(key, _NONE)
                ),
            )
        )
    return segments


def _by_segment(rows: Iterable[AnyRow]) -> Mapping[tuple[str, int], Sequence[AnyRow]]:
    grouped: dict[tuple[str, int], list[AnyRow]] = defaultdict(list)
    for row in rows:
        grouped[row.printer, row.anchor_us].append(row)
    return grouped


def by_part(rows: Iterable[AnyRow]) -> Mapping[tuple[str, int, int], Sequence[AnyRow]]:
    """Legs, evidence or releases by what they belong to."""
    grouped: dict[tuple[str, int, int], list[AnyRow]] = defaultdict(list)
    for row in rows:
        grouped[row.printer, row.anchor_us, row.ordinal].append(row)
    return grouped
