"""The tables. Nothing here is of one database alone; migrations/versions creates the same."""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    BindParameter,
    CheckConstraint,
    Column,
    ColumnElement,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    TextClause,
    UniqueConstraint,
    and_,
    literal_column,
    text,
)

from pagereeve.store.sql.stored_types import BODY, BODY_IF_ANY, DIGEST, LINK, OPENINGS, Kind

REVISION: Final = "r0021"
"""The migration that brings a database to these tables."""

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
    }
)


def few_kinds() -> TextClause:
    """The condition of ix_fact_few; a query must repeat it word for word for the index to serve."""
    return text(
        "kind IN ('policy', 'settle-learned', 'pagereeve.finding.decided.v1', 'assigned', 'registered', 'bound', "
        "'entrance-policy', 'pagereeve.printer.noted.v1')"
    )


def badge_kinds() -> TextClause:
    """The condition of ix_fact_entrance, word for word. A letter is a kind as it is stored (records/kind_forms.py)."""
    return text("kind IN ('b', 'badge-unreadable', 'clock-changed', 's') AND event_id IS NOT NULL")


def unrouted_ends() -> TextClause:
    """The condition of ix_fact_unrouted, word for word."""
    return text("printer = '' AND kind = 'e'")


def _number(name: str, *, key: bool = False, null: bool = False) -> Column[int]:
    return Column(name, BigInteger, primary_key=key, nullable=null, autoincrement=False)


def _text(name: str, *, key: bool = False, null: bool = False) -> Column[str]:
    return Column(name, Text, primary_key=key, nullable=null)


# SQLite numbers rows by itself, and finds them without an index, only where the key is of its own integer type.
_numbering = BigInteger().with_variant(Integer(), "sqlite")


# Journals whose facts lie here: 0 is this one itself, which alone has no site; its id is that of its seal. Each of the
# others is a site's, whose sealed facts were forwarded. Rows are never changed nor deleted.
origin = Table(
    "origin",
    metadata,
    Column("number", SmallInteger, primary_key=True, autoincrement=False),
    _text("id"),
    _text("site", null=True),
    CheckConstraint("(number = 0) = (site IS NULL)", name="own"),
)
Index("uq_origin_id", origin.c.id, unique=True)
Index("uq_origin_site", origin.c.site, unique=True)

# ``printer`` is the timeline's name. Of another origin's facts it is qualified by its site (domain/facts/sites.py), so
# that (printer, seq) is (origin, timeline, number); their bodies stay as the site sealed them.
fact = Table(
    "fact",
    metadata,
    _text("printer"),
    _number("seq"),
    Column("kind", Kind, nullable=False),
    _number("at_us"),
    _text("source", null=True),
    _text("event_id", null=True),
    _text("release", null=True),
    Column("body", BODY, nullable=False),
    Column("digest", DIGEST, nullable=True),
    # By how much what our clock dated in the body is later, as at_us says already; null: it is void.
    Column("shift_us", BigInteger, nullable=True, server_default="0"),
    # Which journal the fact was first written in.
    Column("origin", SmallInteger, nullable=False, server_default="0"),
    # Its place in the seal (seal_entry.position): in SQLite the row's own number, which takes no room.
    Column("place", _numbering, primary_key=True, autoincrement=False),
    UniqueConstraint("printer", "seq", name="uq_fact_seq"),
    CheckConstraint("(source IS NULL) = (event_id IS NULL)", name="identity"),
)
OWN: Final = fact.c.origin == literal_column("0")
"""First written in this journal."""
CHECKED: Final = tuple(
    fact.c[_name] for _name in ("printer", "seq", "kind", "at_us", "body", "digest", "shift_us", "origin")
)
"""What must be read of a fact to see that it is what was written (store/records/checked_rows.py)."""
Index("ix_fact_at", fact.c.printer, fact.c.at_us, fact.c.seq)
for _name, _columns, _where in (
    # Without their sources, which are long and the same again and again; that an identity is there once a trigger says.
    ("ix_fact_identity", (fact.c.event_id,), text("event_id IS NOT NULL")),
    ("ix_fact_release", (fact.c.release, fact.c.at_us), text("release IS NOT NULL")),
    ("ix_fact_source_at", (fact.c.source, fact.c.at_us), text("source IS NOT NULL")),
    ("ix_fact_few", (fact.c.printer, fact.c.kind, fact.c.at_us, fact.c.seq), few_kinds()),
    ("ix_fact_entrance", (fact.c.at_us, fact.c.printer, fact.c.seq), badge_kinds()),
    ("ix_fact_unrouted", (fact.c.printer, fact.c.kind, fact.c.at_us, fact.c.seq), unrouted_ends()),
):
    # PostgreSQL has the same condition (migrations/postgres). To name it here would load its whole dialect each time.
    Index(_name, *_columns, sqlite_where=_where)


def sent_by(source: BindParameter[str] | str) -> ColumnElement[bool]:
    """A condition beside an id or a release, which find the fact: SQLite must not walk through all of the source's."""
    return fact.c.source.concat(literal_column("''")) == source


# What other journals had sealed, by their own places, as it was forwarded: also of facts whose rows were gone there.
forwarded = Table(
    "forwarded",
    metadata,
    Column("origin", SmallInteger, primary_key=True, autoincrement=False),
    _number("place", key=True),
    _text("printer"),
    _number("seq"),
    Column("link", LINK, nullable=False),
)
Index("ix_forwarded_fact", forwarded.c.printer, forwarded.c.seq, unique=True)

open_run = Table("open_run", metadata, _text("printer", key=True), _text("body"))

conflict = Table(
    "conflict",
    metadata,
    _text("source", key=True),
    _text("event_id", key=True),
    _text("digest", key=True),
    _number("received_us"),
    _text("printer"),
    _number("seq"),
    _text("body"),
)

instance = Table(
    "instance",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    _number("fence"),
    _text("holder"),
    _number("since_us"),
)

segment = Table(
    "row_segment",
    metadata,
    _text("printer", key=True),
    _number("anchor_us", key=True),
    Column("resume_point", BODY_IF_ANY, nullable=True),
)


def _segment_part(name: str, *columns: Column[int] | Column[str], numbered: bool = True) -> Table:
    """Rows that live and die with their segment, in the order of ``ordinal``. Where they are not ``numbered``, SQLite
    keeps them by their key alone: that is smaller where few indexes lead to them.
    """
    return Table(
        name,
        metadata,
        _text("printer", key=True),
        _number("anchor_us", key=True),
        _number("ordinal", key=True),
        *columns,
        ForeignKeyConstraint(
            ["printer", "anchor_us"], ["row_segment.printer", "row_segment.anchor_us"], ondelete="CASCADE"
        ),
        sqlite_with_rowid=numbered,
    )


stretch = _segment_part(
    "stretch",
    _number("run"),
    _text("channel"),
    _text("unit"),
    _number("opens_us"),
    _number("closes_us"),
    _number("before", null=True),
    _number("after", null=True),
    _number("counted"),
    _text("releases"),
    _text("grade", null=True),
    _text("verdict", null=True),
    _number("expected_least", null=True),
    _number("expected_most", null=True),
    _text("reasons"),
)
Index("ix_stretch_closes", stretch.c.printer, stretch.c.closes_us)

charge = _segment_part(
    "charge",
    _text("source"),
    _text("release"),
    _text("owner"),
    _text("job"),
    _text("channel"),
    _text("unit", null=True),
    _number("started_us"),
    _number("ended_us", null=True),
    _number("closed_us", null=True),
    _number("released", null=True),
    _number("counted", null=True),
    _number("charged"),
    _number("unproven"),
    _number("expected_least", null=True),
    _number("expected_most", null=True),
    _text("grade", null=True),
    _text("verdict", null=True),
    _text("reasons"),
)
Index("ix_charge_started", charge.c.started_us, charge.c.printer)
Index("ix_charge_release", charge.c.release)
Index("ix_charge_printer_started", charge.c.printer, charge.c.started_us, charge.c.closed_us)
Index("ix_charge_owner_started", charge.c.owner, charge.c.started_us)

posting = _segment_part(
    "posting",
    _number("run"),
    _text("channel"),
    _number("opens_us"),
    _number("closes_us"),
    numbered=False,
)
Index("ix_posting_closes", posting.c.closes_us, posting.c.printer)

leg = Table(
    "leg",
    metadata,
    _text("printer", key=True),
    _number("anchor_us", key=True),
    _number("ordinal", key=True),
    _number("place", key=True),
    _text("account"),
    _number("pages"),
    ForeignKeyConstraint(
        ["printer", "anchor_us", "ordinal"],
        ["posting.printer", "posting.anchor_us", "posting.ordinal"],
        ondelete="CASCADE",
    ),
    sqlite_with_rowid=False,
)

finding = _segment_part(
    "finding",
    _text("id"),
    _text("kind"),
    _text("severity"),
    _number("since_us"),
    _number("until_us", null=True),
    _text("state"),
    _text("what"),
    _number("pages", null=True),
    Column("reason", Text, nullable=False, server_default=""),
    Column("place", Text, nullable=False, server_default=""),
)
Index("ix_finding_state", finding.c.state, finding.c.since_us)
Index("ix_finding_id", finding.c.id)


def _finding_part(name: str, *columns: Column[int] | Column[str]) -> Table:
    """Rows that live and die with their finding."""
    return Table(
        name,
        metadata,
        _text("printer", key=True),
        _number("anchor_us", key=True),
        _number("ordinal", key=True),
        *columns,
        ForeignKeyConstraint(
            ["printer", "anchor_us", "ordinal"],
            ["finding.printer", "finding.anchor_us", "finding.ordinal"],
            ondelete="CASCADE",
        ),
    )


evidence = _finding_part("evidence", _number("place", key=True), _text("body"))
finding_release = _finding_part("finding_release", _text("source", key=True), _text("release", key=True))
Index("ix_finding_release", finding_release.c.source, finding_release.c.release)

finding_change = Table(
    "finding_change",
    metadata,
    Column("number", _numbering, primary_key=True, autoincrement=True),
    _text("finding"),
)

alert = Table("alert", metadata, _text("id", key=True), _text("body"), _text("message", null=True))

message = Table(
    "message",
    metadata,
    _text("receiver", key=True),
    _text("alert", key=True),
    _number("nth", key=True),
    _number("at_us"),
    _text("body"),
)
Index("ix_message_at", message.c.receiver, message.c.at_us, message.c.alert, message.c.nth)

receiver = Table("receiver", metadata, _text("name", key=True), _number("last_success_us"))

key_check = Table("key_check", metadata, _text("name", key=True), _text("value"), _number("since_us"))

credential = Table(
    "credential",
    metadata,
    _text("name", key=True),
    _text("digest"),
    _text("acts"),
    _text("sources", null=True),
    _text("types", null=True),
    _number("added_us"),
    _number("expires_us", null=True),
    _number("revoked_us", null=True),
    _number("used_us", null=True),
)

# What is sealed of each fact, in the order in which it was: store/records/sealing.py.
seal_entry = Table(
    "seal_entry",
    metadata,
    Column("position", _numbering, primary_key=True, autoincrement=False),
    _text("printer"),
    _number("seq"),
    Column("link", LINK, nullable=False),
    Column("openings", OPENINGS, nullable=False),
)
SEALED: Final = and_(
    seal_entry.c.position == fact.c.place, seal_entry.c.printer == fact.c.printer, seal_entry.c.seq == fact.c.seq
)
"""From a fact to its entry, which no index finds by the fact's number. The other way that one does."""

# One row: the tree over the entries. ``older`` facts were there before the first start that sealed, at ``since_us``;
# null until all of these are sealed.
seal = Table(
    "seal",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    _text("origin"),
    _number("size"),
    _text("peaks"),
    _number("older", null=True),
    _number("since_us"),
)

# What was frozen when a period was closed. The period's row comes last: until then its parts are nobody's, and may go;
# from then on nothing of either changes. ``erased_sha256`` is that of the rows since names were erased in them; null
# until then.
# ``touched``: notes of closed_touched up to this number are in its rows as adjustments; null: none was asked for.
closed_period = Table(
    "closed_period",
    metadata,
    _text("name", key=True),
    _text("zone"),
    _text("zone_database"),
    _number("from_us"),
    _number("to_us"),
    _number("closed_us"),
    _text("closed_by"),
    _text("reason"),
    _number("version"),
    _text("journal"),
    _number("size"),
    _text("head"),
    _number("frozen_rows"),
    _text("sha256"),
    _text("erased_sha256", null=True),
    _number("touched", null=True),
)
Index("ix_closed_period_ends", closed_period.c.to_us)

closed_part = Table(
    "closed_part",
    metadata,
    _text("period", key=True),
    _number("number", key=True),
    Column("body", LargeBinary, nullable=False),
)

# Periods that are being closed, each by the one attempt that may store its parts. While one stands here, what is
# written in it is noted as if it were closed already. Where the row of an attempt is gone, what it rests on changed.
closing_period = Table(
    "closing_period",
    metadata,
    _text("name", key=True),
    _text("attempt"),
    _number("from_us"),
    _number("to_us"),
    _number("since_us"),
)

# Periods in whose rows names are being erased: a row stands here within that one transaction, and no longer.
closed_erasing = Table("closed_erasing", metadata, _text("name", key=True))

# Printers whose rows of a closed period were written since a close took what had changed: the database notes them by
# itself (migrations/versions/r0012, r0014). ``period`` is "" where somebody decided about pages of the printer.
closed_touched = Table(
    "closed_touched",
    metadata,
    _text("period", key=True),
    _text("printer", key=True),
    _number("number"),
)
Index("ix_closed_touched_number", closed_touched.c.number)

# Readings of closed periods that lie in files beside the journal (store/records/archive_parts.py). A file's row comes
# last, in the same transaction as its parts and the fact that tells of it; from then on only ``removed`` changes, once
# none of its facts is in the journal any more.
archive = Table(
    "archive",
    metadata,
    _text("name", key=True),
    _text("period"),
    _number("from_us"),
    _number("to_us"),
    _number("size_bytes"),
    _text("sha256"),
    _number("facts"),
    _number("archived_us"),
    _number("removed"),
)

archive_part = Table(
    "archive_part",
    metadata,
    _text("printer", key=True),
    _number("first_seq", key=True),
    _number("last_seq"),
    _number("first_us"),
    _number("last_us"),
    _text("file"),
    _number("facts"),
    _number("offset_bytes"),
    _number("size_bytes"),
    _text("sha256"),
    Column("places", Text, nullable=False, server_default=""),
)
PART: Final = tuple(one for one in archive_part.c if one.name != "places")
"""What a part is. Where its facts are sealed is long, and seldom asked (store/records/archive_places.py)."""
Index("ix_archive_part_file", archive_part.c.file, archive_part.c.printer, archive_part.c.first_seq)

# Facts that are being deleted because they lie in a file: rows stand here within that one transaction, and no longer.
archive_removing = Table("archive_removing", metadata, _text("printer", key=True), _number("seq", key=True))

# How often the rows of each printer were replaced, moved on in the transaction that replaces them; no row says 0. What
# was made of a printer's rows holds as long as this stands. store/sql/transaction.py alone writes rows: no trigger is
# needed, which would fire for each of them.
rows_version = Table("rows_version", metadata, _text("printer", key=True), _number("version"))

SEGMENT_PARTS: Final = (stretch, charge, posting, leg, finding, evidence, finding_release)
"""In the order in which rows go in: each after the one that it refers to."""
