"""Evidence is typed, a finding is found by each of its releases, and segments and resume points bear their names.

Findings stay until their printer is projected again, with the words that they had; old evidence can't be proven to
name nobody, so none of it stays: not in the ledger, nor in alerts and in messages that wait.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "r0005"
down_revision = "r0004"
phase = "contract"

Members = dict[str, Any]


def upgrade() -> None:
    op.rename_table("sheaf", "row_segment")
    op.execute("ALTER TABLE row_segment RENAME COLUMN seed TO resume_point")
    _releases()
    op.drop_index("ix_evidence_line", "evidence")
    op.execute("DELETE FROM evidence")
    op.execute("ALTER TABLE evidence RENAME COLUMN line TO body")
    op.execute("ALTER TABLE finding RENAME COLUMN text TO what")
    _findings()
    _rewrite("alert", ("id",), "body", _without_lines)
    _rewrite("alert", ("id",), "message", _message)
    _rewrite("message", ("receiver", "alert", "nth"), "body", _message)


def _releases() -> None:
    """A finding's lines say which releases it is about; the charges say which releases there are."""
    op.create_table(
        "finding_release",
        sa.Column("printer", sa.Text(), nullable=False),
        sa.Column("anchor_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("ordinal", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("release", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["printer", "anchor_us", "ordinal"],
            ["finding.printer", "finding.anchor_us", "finding.ordinal"],
            name="fk_finding_release_finding",
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("printer", "anchor_us", "ordinal", "source", "release", name="pk_finding_release"),
    )
    op.create_index("ix_finding_release", "finding_release", ["source", "release"])
    # Charges first: each looks its lines up by the index.
    op.execute(
        "INSERT INTO finding_release (printer, anchor_us, ordinal, source, release) "
        "SELECT DISTINCT e.printer, e.anchor_us, e.ordinal, c.source, c.release FROM charge AS c "
        "CROSS JOIN evidence AS e WHERE e.line = 'release ' || c.release || ' of ' || c.source"
    )


def _findings() -> None:
    connection = op.get_bind()
    key = ("printer", "anchor_us", "ordinal")
    table = sa.table("finding", *map(sa.column, key), sa.column("what"))
    changing = sa.update(table).where(*(table.c[name] == sa.bindparam(f"of_{name}") for name in key))
    changing = changing.values(what=sa.bindparam("typed"))
    for printer in connection.execute(sa.select(table.c.printer).distinct()).scalars().all():
        rows = connection.execute(sa.select(table).where(table.c.printer == printer)).all()
        keys = [{f"of_{name}": getattr(row, name) for name in key} for row in rows]
        changes = [one | {"typed": _text(_older(row.what))} for one, row in zip(keys, rows, strict=True)]
        connection.execute(changing, changes)


def _rewrite(name: str, key: tuple[str, ...], column: str, change: Callable[[Members], Members]) -> None:
    connection = op.get_bind()
    table = sa.table(name, *map(sa.column, key), sa.column(column))
    for row in connection.execute(sa.select(table).where(table.c[column].is_not(None))).all():
        mine = sa.and_(*(table.c[part] == getattr(row, part) for part in key))
        changed = _text(change(json.loads(getattr(row, column))))
        connection.execute(sa.update(table).where(mine).values({column: changed}))


def _without_lines(alert: Members) -> Members:
    return alert | {"last": _finding(alert["last"]), "members": [_finding(one) for one in alert["members"]]}


def _finding(finding: Members) -> Members:
    kept = {name: value for name, value in finding.items() if name != "text"}
    return kept | {"what": _older(finding["text"]), "evidence": []}


def _message(message: Members) -> Members:
    return message | {"evidence": []}


def _older(text: str) -> Members:
    return {"kind": "older", "values": {"text": text}}


def _text(value: Members) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
