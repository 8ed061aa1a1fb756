"""Whole sheaves as rows of all their tables, both ways."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pagereeve.domain.ledger import Sheaf
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
    stretch_columns,
    stretch_of,
)

RowsByTable = Mapping[str, Sequence[AnyRow]]
_NONE: Final[Sequence[AnyRow]] = ()


def sheaf_rows(sheaves: Iterable[Sheaf]) -> Mapping[str, Sequence[Columns]]:
    """Rows by table name. Raises BadCanonical for a seed or reason that has no canonical form."""
    rows: dict[str, list[Columns]] = defaultdict(list)
    for sheaf in sheaves:
        seed = None if sheaf.seed is None else canonical_text(sheaf.seed)
        rows["sheaf"].append({"printer": sheaf.printer, "anchor_us": sheaf.anchor_us, "seed": seed})
        for ordinal, stretch in enumerate(sheaf.stretches):
            rows["stretch"].append(_part_key(sheaf, ordinal) | stretch_columns(stretch))
        for ordinal, charge in enumerate(sheaf.charges):
            rows["charge"].append(_part_key(sheaf, ordinal) | charge_columns(charge))
        for ordinal, posting in enumerate(sheaf.postings):
            key = _part_key(sheaf, ordinal)
            rows["posting"].append(key | posting_columns(posting))
            rows["leg"] += _placed(key, leg_columns(posting))
        for ordinal, finding in enumerate(sheaf.findings):
            key = _part_key(sheaf, ordinal)
            rows["finding"].append(key | finding_columns(finding))
            rows["evidence"] += _placed(key, evidence_columns(finding))
    return rows


def _part_key(sheaf: Sheaf, ordinal: int) -> Columns:
    return {"printer": sheaf.printer, "anchor_us": sheaf.anchor_us, "ordinal": ordinal}


def _placed(key: Columns, items: Sequence[Columns]) -> list[Columns]:
    return [key | item | {"place": place} for place, item in enumerate(items)]


def sheaves_of(rows: RowsByTable) -> list[Sheaf]:
    """The inverse of ``sheaf_rows``; each table's rows come in order of their primary key."""
    parts = {name: _by_sheaf(rows.get(name, _NONE)) for name in ("stretch", "charge", "posting", "finding")}
    legs, lines = by_part(rows.get("leg", _NONE)), by_part(rows.get("evidence", _NONE))
    sheaves = []
    for row in rows.get("sheaf", _NONE):
        key = (row.printer, row.anchor_us)
        sheaves.append(
            Sheaf(
                printer=row.printer,
                anchor_us=row.anchor_us,
                seed=None if row.seed is None else json.loads(row.seed),
                stretches=tuple(map(stretch_of, parts["stretch"].get(key, _NONE))),
                charges=tuple(map(charge_of, parts["charge"].get(key, _NONE))),
                postings=tuple(
                    posting_of(part, legs.get((*key, part.ordinal), _NONE)) for part in parts["posting"].get(key, _NONE)
                ),
                findings=tuple(
                    finding_of(part, lines.get((*key, part.ordinal), _NONE))
                    for part in parts["finding"].get(key, _NONE)
                ),
            )
        )
    return sheaves


def _by_sheaf(rows: Iterable[AnyRow]) -> Mapping[tuple[str, int], Sequence[AnyRow]]:
    grouped: dict[tuple[str, int], list[AnyRow]] = defaultdict(list)
    for row in rows:
        grouped[row.printer, row.anchor_us].append(row)
    return grouped


def by_part(rows: Iterable[AnyRow]) -> Mapping[tuple[str, int, int], Sequence[AnyRow]]:
    """Legs or lines by what they belong to."""
    grouped: dict[tuple[str, int, int], list[AnyRow]] = defaultdict(list)
    for row in rows:
        grouped[row.printer, row.anchor_us, row.ordinal].append(row)
    return grouped
