"""What PostgreSQL refuses by itself: the same as SQLite's triggers of r0001 to r0021 do, in its own words."""

from __future__ import annotations

from typing import Final

# From which revision on a program may still work with the database (store/postgres/revisions.py).
LEAST: Final = (
    "CREATE TABLE schema_least (id smallint PRIMARY KEY CHECK (id = 1), number integer NOT NULL)",
    "INSERT INTO schema_least VALUES (1, 1)",
)
# Which of its groups each writer stored last: what became of one whose answer was lost is looked up here.
NOTES: Final = (
    "CREATE TABLE group_note (writer bigint PRIMARY KEY, number bigint NOT NULL, at timestamptz NOT NULL DEFAULT now())"
)

# Which worker watches a printer, or does a single duty (ports/hints.py). Updated in place every few seconds; a long
# list of printers lies beside its row then, and stays where it is.
HINTS: Final = (
    (
        'CREATE TABLE worker (number bigint PRIMARY KEY, until timestamptz NOT NULL, digest text COLLATE "C" NOT NULL '
        "DEFAULT '', printers text[] COLLATE \"C\" NOT NULL DEFAULT '{}') WITH (fillfactor = 50)"
    ),
    (
        'CREATE TABLE hint (kind text COLLATE "C" NOT NULL, name text COLLATE "C" NOT NULL, worker bigint, '
        "PRIMARY KEY (kind, name)) WITH (fillfactor = 50)"
    ),
)
# Whose senders wait for the meter of a printer that another worker watches (store/postgres/gates.py). Nothing rests on
# it: after a crash it is empty.
GATES: Final = (
    'CREATE UNLOGGED TABLE gate (source text COLLATE "C" NOT NULL, id text COLLATE "C" NOT NULL, '
    'printer text COLLATE "C" NOT NULL, started_us bigint NOT NULL, rest boolean NOT NULL, writer bigint NOT NULL, '
    "until timestamptz NOT NULL, at timestamptz NOT NULL DEFAULT clock_timestamp(), "
    "answered boolean NOT NULL DEFAULT false, PRIMARY KEY (source, id))"
)

_REFUSE: Final = "RAISE EXCEPTION USING ERRCODE = 'integrity_constraint_violation', MESSAGE = TG_ARGV[0];"


def _function(name: str, body: str) -> str:
    return f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {body} END $$"


def _refused_where(name: str, condition: str, back: str) -> str:
    return _function(name, f"IF {condition} THEN {_REFUSE} END IF; RETURN {back};")


# Numbers only grow, also after a close took all that were there.
_NEXT: Final = (
    "1 + greatest(coalesce((SELECT max(number) FROM closed_touched), 0), "
    "coalesce((SELECT touched FROM closed_period ORDER BY to_us DESC LIMIT 1), 0))"
)
_NOTE: Final = "INSERT INTO closed_touched (period, printer, number)"
_AGAIN: Final = "ON CONFLICT (period, printer) DO UPDATE SET number = excluded.number"
# What belongs to a closed period by an instant of its own: each such row, added or removed.
_TOUCHED: Final = (("charge", "started_us"), ("stretch", "closes_us"))


def _touching(table: str, at_us: str) -> str:
    at = f"one.{at_us}"
    within = f"WHERE to_us > {at} AND from_us <= {at}"
    return (
        f"CREATE FUNCTION closed_touched_{table}() RETURNS trigger LANGUAGE plpgsql AS $$ DECLARE one {table}; BEGIN "  # noqa: S608 - own names
        "IF TG_OP = 'DELETE' THEN one := OLD; ELSE one := NEW; END IF; "
        f"IF {at} < (SELECT max(to_us) FROM closed_period) OR {at} < (SELECT max(to_us) FROM closing_period) THEN "
        f"{_NOTE} SELECT name, one.printer, {_NEXT} FROM (SELECT name FROM closed_period {within} "
        f"UNION SELECT name FROM closing_period {within}) AS known {_AGAIN}; END IF; RETURN NULL; END $$"
    )


FUNCTIONS: Final = (
    # What SQLite has by that name, and what a packed body needs there.
    "CREATE FUNCTION instr(text, text) RETURNS integer LANGUAGE sql IMMUTABLE PARALLEL SAFE AS 'SELECT strpos($1, $2)'",
    "CREATE FUNCTION fact_text(text) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE AS 'SELECT $1'",
    _function("refuse_change", _REFUSE),
    # A fact is never changed, but for a person whose names are erased: its seal holds commitments in their place then.
    _refused_where(
        "fact_unchanged",
        "NEW.printer IS DISTINCT FROM OLD.printer OR NEW.seq IS DISTINCT FROM OLD.seq OR NEW.kind IS DISTINCT FROM "
        "OLD.kind OR NEW.source IS DISTINCT FROM OLD.source OR NEW.release IS DISTINCT FROM OLD.release "
        "OR NEW.origin <> OLD.origin OR NOT EXISTS "
        "(SELECT 1 FROM seal_entry WHERE position = OLD.place AND printer = OLD.printer AND seq = OLD.seq "
        "AND strpos(openings, '=') > 0)",
        "NEW",
    ),
    # What is sealed keeps its place.
    _refused_where(
        "fact_sealed",
        "NEW.place <> OLD.place AND EXISTS "
        "(SELECT 1 FROM seal_entry WHERE position = OLD.place AND printer = OLD.printer AND seq = OLD.seq)",
        "NEW",
    ),
    # Only a reading, under the date with which it was stored: it has no identity and names nobody. It must be named for
    # it in the same transaction, and lie in a part of a file that was recorded.
    _refused_where(
        "fact_unarchived",
        "OLD.kind NOT IN ('reading', 'read-failed') OR OLD.event_id IS NOT NULL OR OLD.shift_us IS DISTINCT FROM 0 "
        "OR NOT EXISTS (SELECT 1 FROM archive_removing WHERE printer = OLD.printer AND seq = OLD.seq) "
        "OR NOT EXISTS (SELECT 1 FROM archive_part WHERE printer = OLD.printer "
        "AND OLD.seq BETWEEN first_seq AND last_seq AND file IN (SELECT name FROM archive))",
        "OLD",
    ),
    _refused_where(
        "archive_kept",
        "OLD.removed <> 0 OR (NEW.name, NEW.period, NEW.from_us, NEW.to_us, NEW.size_bytes, NEW.sha256, NEW.facts, "
        "NEW.archived_us) IS DISTINCT FROM (OLD.name, OLD.period, OLD.from_us, OLD.to_us, OLD.size_bytes, OLD.sha256, "
        "OLD.facts, OLD.archived_us)",
        "NEW",
    ),
    # Parts go in first, then their file: from then on nothing is added. No two of a printer overlap.
    _refused_where(
        "archive_part_in_time",
        "EXISTS (SELECT 1 FROM archive WHERE name = NEW.file) OR EXISTS (SELECT 1 FROM archive_part "
        "WHERE printer = NEW.printer AND first_seq <= NEW.last_seq AND last_seq >= NEW.first_seq)",
        "NEW",
    ),
    _refused_where("period_erased", "NOT EXISTS (SELECT 1 FROM closed_erasing WHERE name = OLD.name)", "NEW"),
    _refused_where("part_erased", "NOT EXISTS (SELECT 1 FROM closed_erasing WHERE name = OLD.period)", "NEW"),
    _refused_where(
        "period_once",
        "EXISTS (SELECT 1 FROM closed_period WHERE name = NEW.name OR (NEW.from_us < to_us AND from_us < NEW.to_us))",
        "NEW",
    ),
    _refused_where("part_in_time", "EXISTS (SELECT 1 FROM closed_period WHERE name = NEW.period)", "NEW"),
    _refused_where("part_kept", "EXISTS (SELECT 1 FROM closed_period WHERE name = OLD.period)", "OLD"),
    _refused_where("touched_taken", "NOT EXISTS (SELECT 1 FROM closed_period WHERE touched >= OLD.number)", "OLD"),
    _refused_where(
        "touched_grows", "NEW.period <> OLD.period OR NEW.printer <> OLD.printer OR NEW.number <= OLD.number", "NEW"
    ),
    *(_touching(table, at_us) for table, at_us in _TOUCHED),
    # To whom it may concern: facts were sealed (store/postgres/following.py listens).
    _function("tell_sealed", "PERFORM pg_notify('pagereeve_sealed', ''); RETURN NULL;"),
    # What period a decision is about its rows say: it is noted for none by name.
    _function(
        "closed_touched_decision",
        "IF EXISTS (SELECT 1 FROM closed_period) OR EXISTS (SELECT 1 FROM closing_period) THEN "  # noqa: S608 - own names
        f"{_NOTE} VALUES ('', NEW.printer, {_NEXT}) {_AGAIN}; END IF; RETURN NULL;",
    ),
)

_FACT: Final = "a fact is never changed"
_GONE: Final = "a fact is never deleted"
_ARCHIVED: Final = "what is recorded of an archive is never changed"
_ORIGIN: Final = "an origin is never changed"
_SEAL: Final = "a seal is never changed"
_CLOSED: Final = "a closed period is never changed"
_FROZEN: Final = "frozen rows are never changed"
_FORGOTTEN: Final = "what changed since a close is never forgotten"


def _trigger(name: str, when: str, table: str, function: str, says: str) -> str:
    return f"CREATE TRIGGER {name} {when} ON {table} FOR EACH ROW EXECUTE FUNCTION {function}('{says}')"


TRIGGERS: Final = (
    # The key of what is stored once: whoever appends, and whatever was looked up before.
    "CREATE UNIQUE INDEX uq_fact_identity ON fact (event_id, source, origin) WHERE event_id IS NOT NULL",
    _trigger(
        "fact_no_update",
        "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest, origin",
        "fact",
        "fact_unchanged",
        _FACT,
    ),
    _trigger("fact_keeps_place", "BEFORE UPDATE OF place", "fact", "fact_sealed", _FACT),
    _trigger("fact_no_delete", "BEFORE DELETE", "fact", "fact_unarchived", _GONE),
    _trigger("archive_no_delete", "BEFORE DELETE", "archive", "refuse_change", _ARCHIVED),
    _trigger("archive_no_update", "BEFORE UPDATE", "archive", "archive_kept", _ARCHIVED),
    _trigger("archive_part_no_delete", "BEFORE DELETE", "archive_part", "refuse_change", _ARCHIVED),
    _trigger("archive_part_no_update", "BEFORE UPDATE", "archive_part", "refuse_change", _ARCHIVED),
    _trigger("archive_part_no_insert", "BEFORE INSERT", "archive_part", "archive_part_in_time", _ARCHIVED),
    _trigger("origin_no_update", "BEFORE UPDATE", "origin", "refuse_change", _ORIGIN),
    _trigger("origin_no_delete", "BEFORE DELETE", "origin", "refuse_change", _ORIGIN),
    _trigger("forwarded_no_update", "BEFORE UPDATE", "forwarded", "refuse_change", _SEAL),
    _trigger("forwarded_no_delete", "BEFORE DELETE", "forwarded", "refuse_change", "a seal is never deleted"),
    _trigger(
        "seal_entry_no_update", "BEFORE UPDATE OF position, printer, seq, link", "seal_entry", "refuse_change", _SEAL
    ),
    _trigger("seal_entry_no_delete", "BEFORE DELETE", "seal_entry", "refuse_change", "a seal is never deleted"),
    _trigger(
        "closed_period_no_update",
        "BEFORE UPDATE OF name, zone, zone_database, from_us, to_us, closed_us, closed_by, reason, version, journal, "
        "size, head, frozen_rows, sha256, touched",
        "closed_period",
        "refuse_change",
        _CLOSED,
    ),
    _trigger("closed_period_erased", "BEFORE UPDATE OF erased_sha256", "closed_period", "period_erased", _CLOSED),
    _trigger(
        "closed_period_no_delete", "BEFORE DELETE", "closed_period", "refuse_change", "a closed period is never deleted"
    ),
    _trigger(
        "closed_period_once", "BEFORE INSERT", "closed_period", "period_once", "what is closed is not closed again"
    ),
    _trigger("closed_part_no_update", "BEFORE UPDATE OF period, number", "closed_part", "refuse_change", _FROZEN),
    _trigger("closed_part_erased", "BEFORE UPDATE OF body", "closed_part", "part_erased", _FROZEN),
    _trigger("closed_part_no_delete", "BEFORE DELETE", "closed_part", "part_kept", "frozen rows are never deleted"),
    _trigger("closed_part_no_insert", "BEFORE INSERT", "closed_part", "part_in_time", "frozen rows are never added to"),
    _trigger("closed_touched_no_delete", "BEFORE DELETE", "closed_touched", "touched_taken", _FORGOTTEN),
    _trigger("closed_touched_no_update", "BEFORE UPDATE", "closed_touched", "touched_grows", _FORGOTTEN),
    *(
        f"CREATE TRIGGER closed_touched_{table} AFTER INSERT OR DELETE ON {table} FOR EACH ROW "
        f"EXECUTE FUNCTION closed_touched_{table}()"
        for table, _ in _TOUCHED
    ),
    (
        "CREATE TRIGGER closed_touched_decision AFTER INSERT ON fact FOR EACH ROW "
        "WHEN (NEW.kind = 'pagereeve.pages.decided.v1') EXECUTE FUNCTION closed_touched_decision()"
    ),
    # Once a group, as its size is written once a group.
    "CREATE TRIGGER seal_told AFTER UPDATE OF size ON seal FOR EACH STATEMENT EXECUTE FUNCTION tell_sealed()",
    *(
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT "
        f"EXECUTE FUNCTION refuse_change('{table} is never emptied')"
        for table in (
            *("fact", "origin", "forwarded", "seal_entry", "closed_period", "closed_part"),
            *("archive", "archive_part"),
        )
    ),
)
