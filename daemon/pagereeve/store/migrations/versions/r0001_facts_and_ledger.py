"""Facts, what is kept aside of them, who holds the journal; and the tables of the projections."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "r0001"
down_revision = None
phase = "expand"

FEW = "kind IN ('policy', 'settle-learned', 'decided', 'assigned', 'pagereeve.printer.noted.v1')"

# A fact is never changed: the database itself says so, whoever asks.
APPEND_ONLY = {
    "sqlite": (
        "CREATE TRIGGER fact_no_update BEFORE UPDATE ON fact BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END",
        "CREATE TRIGGER fact_no_delete BEFORE DELETE ON fact BEGIN SELECT RAISE(ABORT, 'a fact is never deleted'); END",
    ),
}


def upgrade() -> None:
    _facts()
    _beside_facts()
    _stretches_and_charges()
    _postings()
    _findings()
    for statement in APPEND_ONLY.get(op.get_bind().dialect.name, ()):
        op.execute(statement)


def _facts() -> None:
    op.create_table(
        "fact",
        *_texts("printer"),
        *_numbers("seq"),
        *_texts("kind"),
        *_numbers("at_us"),
        *_texts("source", "event_id", "release", null=True),
        *_texts("body"),
        *_texts("digest", null=True),
        sa.CheckConstraint("(source IS NULL) = (event_id IS NULL)", name=op.f("ck_fact_identity")),
        _key("fact", "printer", "seq"),
    )
    op.create_index("ix_fact_identity", "fact", ["source", "event_id"], unique=True)
    op.create_index("ix_fact_at", "fact", ["printer", "at_us", "seq"])
    for name, columns, condition in (
        ("ix_fact_release", ["source", "release", "at_us", "seq"], "release IS NOT NULL"),
        ("ix_fact_source_at", ["source", "at_us"], "source IS NOT NULL"),
        ("ix_fact_few", ["printer", "kind", "at_us", "seq"], FEW),
    ):
        where = sa.text(condition)
        op.create_index(name, "fact", columns, sqlite_where=where, postgresql_where=where)


def _beside_facts() -> None:
    op.create_table("open_run", *_texts("printer", "body"), _key("open_run", "printer"))
    op.create_table(
        "conflict",
        *_texts("source", "event_id", "digest"),
        *_numbers("received_us"),
        *_texts("printer"),
        *_numbers("seq"),
        *_texts("body"),
        _key("conflict", "source", "event_id", "digest"),
    )
    op.create_table(
        "instance",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        *_numbers("fence"),
        *_texts("holder"),
        *_numbers("since_us"),
        _key("instance", "id"),
    )
    op.create_table(
        "sheaf",
        *_texts("printer"),
        *_numbers("anchor_us"),
        *_texts("seed", null=True),
        _key("sheaf", "printer", "anchor_us"),
    )


def _stretches_and_charges() -> None:
    _sheaf_part(
        "stretch",
        *_numbers("run"),
        *_texts("channel", "unit"),
        *_numbers("opens_us", "closes_us"),
        *_numbers("before", "after", null=True),
        *_numbers("counted"),
        *_texts("releases"),
        *_texts("grade", "verdict", null=True),
        *_numbers("expected_least", "expected_most", null=True),
        *_texts("reasons"),
    )
    op.create_index("ix_stretch_closes", "stretch", ["printer", "closes_us"])
    _sheaf_part(
        "charge",
        *_texts("source", "release", "owner", "job", "channel"),
        *_texts("unit", null=True),
        *_numbers("started_us"),
        *_numbers("ended_us", "closed_us", "released", "counted", null=True),
        *_numbers("charged", "unproven"),
        *_numbers("expected_least", "expected_most", null=True),
        *_texts("grade", "verdict", null=True),
        *_texts("reasons"),
    )
    op.create_index("ix_charge_started", "charge", ["started_us", "printer"])
    op.create_index("ix_charge_release", "charge", ["release"])


def _postings() -> None:
    _sheaf_part("posting", *_numbers("run"), *_texts("channel"), *_numbers("opens_us", "closes_us"))
    op.create_index("ix_posting_closes", "posting", ["closes_us", "printer"])
    _placed_part("leg", "posting", *_texts("account"), *_numbers("pages"))


def _findings() -> None:
    _sheaf_part(
        "finding",
        *_texts("id", "kind", "severity"),
        *_numbers("since_us"),
        *_numbers("until_us", null=True),
        *_texts("state", "text"),
    )
    op.create_index("ix_finding_state", "finding", ["state", "since_us"])
    _placed_part("evidence", "finding", *_texts("line"))
    op.create_index("ix_evidence_line", "evidence", ["line"])


def _sheaf_part(name: str, *columns: SchemaItem) -> None:
    op.create_table(
        name,
        *_texts("printer"),
        *_numbers("anchor_us", "ordinal"),
        *columns,
        sa.ForeignKeyConstraint(
            ["printer", "anchor_us"],
            ["sheaf.printer", "sheaf.anchor_us"],
            name=op.f(f"fk_{name}_sheaf"),
            ondelete="CASCADE",
        ),
        _key(name, "printer", "anchor_us", "ordinal"),
    )


def _placed_part(name: str, owner: str, *columns: SchemaItem) -> None:
    key = ["printer", "anchor_us", "ordinal"]
    op.create_table(
        name,
        *_texts("printer"),
        *_numbers("anchor_us", "ordinal", "place"),
        *columns,
        sa.ForeignKeyConstraint(
            key, [f"{owner}.{column}" for column in key], name=op.f(f"fk_{name}_{owner}"), ondelete="CASCADE"
        ),
        _key(name, *key, "place"),
    )


def _texts(*names: str, null: bool = False) -> list[SchemaItem]:
    return [sa.Column(name, sa.Text(), nullable=null) for name in names]


def _numbers(*names: str, null: bool = False) -> list[SchemaItem]:
    return [sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=null) for name in names]


def _key(table: str, *columns: str) -> SchemaItem:
    return sa.PrimaryKeyConstraint(*columns, name=op.f(f"pk_{table}"))
