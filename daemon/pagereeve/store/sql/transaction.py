"""One group, one transaction: looks up what is known, joins the requests, writes what they come to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, bindparam, delete, func, insert, select

from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.domain.facts.events import PAGES_DECIDED
from pagereeve.domain.facts.facts import Fact, PagesDecided
from pagereeve.domain.facts.sites import site_of
from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.ports.closing import ClosedPeriod, ClosingAttempt
from pagereeve.ports.erasing import Erasure, ErasureOutcome, TitleExpiry, TitlesExpired
from pagereeve.ports.origins import Forwarded, ForwardedFact
from pagereeve.ports.outbox import Announcement
from pagereeve.store.records.batch import Batch, First, Numbered, Replacement
from pagereeve.store.records.checked_rows import Damage, claim_of, digest_text, intact, signed_run
from pagereeve.store.records.fact_record import FactRecord, Identity, ReleaseName, file
from pagereeve.store.records.frozen_rows import closed_fact
from pagereeve.store.records.ledger_records import Columns
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.records.rows_versions import RowsVersions
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from pagereeve.store.sql.archiving import record_archive
from pagereeve.store.sql.closed_periods import freeze
from pagereeve.store.sql.closing_parts import PartGroup
from pagereeve.store.sql.driven import AT_ONCE_MAX, Driven, DrivenList
from pagereeve.store.sql.erasing import erase
from pagereeve.store.sql.forwarded import append_forwarded
from pagereeve.store.sql.outbox_writes import BEGINNING_US, announce, note_changes, part
from pagereeve.store.sql.redating import apply_redated
from pagereeve.store.sql.seal import Sealing
from pagereeve.store.sql.straight import written_all
from pagereeve.store.sql.title_expiry import expire_titles

HEADS_MAX = 100_000

# Built once: SQLAlchemy would spend more time on building them again than the database on running them.
_BY_SOURCE = select(
    *(schema.fact.c.event_id, schema.fact.c.seq, schema.fact.c.digest),
    *(schema.fact.c.origin, schema.fact.c.printer, schema.fact.c.at_us),
).where(schema.sent_by(bindparam("source")))
_FIRSTS = DrivenList(_BY_SOURCE, schema.fact.c.event_id)
_NOTICES_OF = (
    select(schema.fact.c.release, *schema.CHECKED)
    .where(schema.fact.c.shift_us.is_not(None), schema.sent_by(bindparam("source")), schema.OWN)
    # By release first, as ix_fact_release is: asked for an order by instant alone, SQLite walks through all facts of
    # the source as soon as there are two releases.
    .order_by(schema.fact.c.release, schema.fact.c.at_us, schema.fact.c.printer, schema.fact.c.seq)
)
_NOTICES = DrivenList(_NOTICES_OF, schema.fact.c.release)
_ENTRY = schema.seal_entry.c
# Few facts come between a count and the decision that rests on it.
_DECIDED = Driven(
    select(*schema.CHECKED)
    .select_from(
        schema.seal_entry.join(
            schema.fact, (schema.fact.c.printer == _ENTRY.printer) & (schema.fact.c.seq == _ENTRY.seq)
        )
    )
    .where(_ENTRY.position > bindparam("position"), schema.fact.c.kind == PAGES_DECIDED, schema.OWN)
)
_HEAD = Driven(select(func.max(schema.fact.c.seq).label("seq")).where(schema.fact.c.printer == bindparam("printer")))
_FACTS = Adding(schema.fact)
_RUNS = Adding(schema.open_run)
_DROP_SEGMENTS = Driven(
    delete(schema.segment).where(
        schema.segment.c.printer == bindparam("printer"), schema.segment.c.anchor_us >= bindparam("from_us")
    )
)
_ROWS = [(table.name, Adding(table)) for table in (schema.segment, *schema.SEGMENT_PARTS)]
_MOVE_ON = (
    "INSERT INTO rows_version (printer, version) VALUES (?, 1) "
    "ON CONFLICT (printer) DO UPDATE SET version = version + 1"
)
_DROP_RUN = Driven(delete(schema.open_run).where(schema.open_run.c.printer == bindparam("printer")))


@dataclass(slots=True)
class Heads:
    """Each printer's highest number, and the seal, kept between groups. Moves on only when a group was stored."""

    known: dict[str, int] = field(default_factory=dict)
    sealing: Sealing = field(default_factory=Sealing)
    versions: RowsVersions = field(default_factory=RowsVersions)

    def follow(self, connection: Connection, replacements: Sequence[Replacement]) -> None:
        """Of each printer one at most, and its rows_version moves on. Raises StaleRows."""
        self.versions.follow(replacements)
        written_all(connection, _MOVE_ON, [(one.printer,) for one in replacements])

    def begin(self, connection: Connection) -> None:
        """First in each transaction that may store facts: where others write too, whether these heads still hold."""

    def seal_runs_of_others(self, connection: Connection, batch: Batch) -> None:
        """Where others write too: an open run of a printer that somebody else watches is no open run, but a fact."""

    def before_commit(self, outcome: Outcome) -> None:
        """What is stored if the commit that follows is."""

    def forget(self) -> None:
        self.known.clear()
        self.sealing.forget()
        self.versions.forget()

    def learn(self, heads: dict[str, int]) -> None:
        if len(self.known) + len(heads) > HEADS_MAX:
            self.known.clear()
        self.known.update(heads)
        self.versions.stored()


@dataclass(frozen=True, slots=True)
class Outcome:
    """``last`` is the fact that was stored last of all, None where none was."""

    answers: Sequence[Any]
    rows: int
    duplicates: int
    conflicts: int
    last: Numbered | None = None


def store_group(connection: Connection, requests: Sequence[StoreRequest[Any]], heads: Heads) -> Outcome:
    """Returns only once the group is committed. Whatever it raises, nothing of the group is stored."""
    try:
        with connection.begin():
            heads.begin(connection)
            batch = Batch(_Stored(connection, heads, _identities(requests), _releases(requests)))
            answers = [request.join(batch) for request in requests]
            heads.seal_runs_of_others(connection, batch)
            _write(connection, batch, heads)
            if batch.facts:
                heads.sealing.add(connection, batch.facts)
            last = batch.facts[-1] if batch.facts else None
            outcome = Outcome(answers, len(batch.facts), batch.duplicates, len(batch.kept_aside), last)
            heads.before_commit(outcome)
    except BaseException:
        # A commit that failed in an unknown way may have moved a head: all are read again.
        heads.forget()
        raise
    heads.learn(batch.heads)
    heads.sealing.stored()
    return outcome


@contextmanager
def _alone(connection: Connection, heads: Heads) -> Iterator[Batch]:
    """A transaction of its own: what is put into the batch is written at its end, with all else or not at all."""
    try:
        with connection.begin():
            heads.begin(connection)
            batch = Batch(_Stored(connection, heads, set(), set()))
            yield batch
            if batch.facts:
                _write(connection, batch, heads)
                heads.sealing.add(connection, batch.facts)
    except BaseException:
        heads.forget()
        raise
    heads.learn(batch.heads)
    heads.sealing.stored()


def erase_person(connection: Connection, erasure: Erasure, heads: Heads) -> tuple[ErasureOutcome, Numbered | None]:
    """With the fact that tells of it; that is None where nothing names the owner."""
    with _alone(connection, heads) as batch:
        outcome, fact, replacements = erase(connection, erasure)
        if fact is not None:
            batch.append(file(fact))
            batch.replacements.extend(replacements)
    return outcome, batch.facts[-1] if batch.facts else None


def expire_titles_of(
    connection: Connection, expiry: TitleExpiry, heads: Heads
) -> tuple[TitlesExpired, Numbered | None]:
    """With the fact that tells of it; that is None where there was no title."""
    with _alone(connection, heads) as batch:
        done, fact = expire_titles(connection, expiry)
        if fact is not None:
            batch.append(file(fact))
    return done, batch.facts[-1] if batch.facts else None


def close_period(
    connection: Connection,
    closed: ClosedPeriod,
    mine: ClosingAttempt,
    last: PartGroup,
    touched: int,
    heads: Heads,
) -> Numbered:
    """With the fact that tells of it. Raises NotClosed; then nothing of this is stored."""
    with _alone(connection, heads) as batch:
        freeze(connection, closed, mine, last, touched)
        batch.append(file(closed_fact(closed)))
    return batch.facts[-1]


def archive_facts(
    connection: Connection, archived: ArchiveFile, parts: Sequence[ArchivePart], fact: FactsArchived, heads: Heads
) -> Numbered:
    """What a file holds is recorded, with the fact that tells of it."""
    with _alone(connection, heads) as batch:
        record_archive(connection, archived, parts)
        batch.append(file(fact))
    return batch.facts[-1]


def append_forwarded_facts(
    connection: Connection, origin: str, site: str, facts: Sequence[ForwardedFact], heads: Heads
) -> tuple[Forwarded, Numbered | None]:
    """With the fact that was stored last, None where none was. Raises BatchRefused."""
    with _alone(connection, heads) as batch:
        done = append_forwarded(connection, batch, origin, site, facts)
    return done, batch.facts[-1] if batch.facts else None


def _identities(requests: Iterable[StoreRequest[Any]]) -> set[Identity]:
    return {filing.identity for request in requests for filing in request.filings if filing.identity is not None}


def _releases(requests: Iterable[StoreRequest[Any]]) -> set[ReleaseName]:
    return {key for request in requests for filing in request.filings if (key := filing.release_key) is not None}


class _Stored:
    """batch.Stored over the database; the group's identities and releases are looked up in one go."""

    def __init__(
        self, connection: Connection, heads: Heads, identities: set[Identity], releases: set[ReleaseName]
    ) -> None:
        self._connection = connection
        self._heads = heads
        self._firsts: dict[Identity, First] = {}
        self._twins: dict[Identity, list[tuple[str, int]]] = {}
        for identity, row in _known(connection, identities):
            if row.origin:
                self._twins.setdefault(identity, []).append((row.printer, row.at_us))
            else:
                self._firsts[identity] = First(row.seq, claim_of(row.digest))
        self._notices: dict[ReleaseName, list[Fact]] = {}
        for key, fact in _notices(connection, releases):
            self._notices.setdefault(key, []).append(fact)

    def notices(self, release: ReleaseName) -> Sequence[Fact]:
        return self._notices.get(release, ())

    def heard_elsewhere(self, identity: Identity) -> tuple[tuple[str, int], ...]:
        return tuple(self._twins.get(identity, ()))

    def is_of_a_site(self, printer: str) -> bool:
        named = select(schema.origin.c.number).where(schema.origin.c.site == site_of(printer))
        return self._connection.execute(named).one_or_none() is not None

    def decided_after(self, position: int) -> Sequence[PagesDecided]:
        damage = Damage()
        facts = (damage.whole(row) for row in _DECIDED.rows(self._connection, {"position": position}))
        return [one for one in facts if isinstance(one, PagesDecided)]

    def first(self, identity: Identity) -> First | None:
        return self._firsts.get(identity)

    def claims(self, identity: Identity) -> Mapping[str, int]:
        table = schema.conflict.c
        known = select(table.digest, table.seq).where(table.source == identity[0], table.event_id == identity[1])
        return {row.digest: row.seq for row in self._connection.execute(known)}

    def body(self, identity: Identity) -> str | None:
        table = schema.fact.c
        named = select(table.body, table.digest).where(schema.sent_by(identity[0]), table.event_id == identity[1])
        row = self._connection.execute(named.where(schema.OWN)).one_or_none()
        return row.body if row is not None and intact(row.body, row.digest) else None

    def head(self, printer: str) -> int:
        known = self._heads.known.get(printer)
        if known is None:
            [(known,)] = _HEAD.rows(self._connection, {"printer": printer})
        return known or 0


def _known(connection: Connection, identities: set[Identity]) -> Iterable[tuple[Identity, Any]]:
    for source, group in groupby(sorted(identities), key=itemgetter(0)):
        ids = [event_id for _, event_id in group]
        for start in range(0, len(ids), AT_ONCE_MAX):
            for row in _FIRSTS.rows(connection, {"source": source}, ids[start : start + AT_ONCE_MAX]):
                yield (source, row.event_id), row


def _notices(connection: Connection, releases: set[ReleaseName]) -> Iterable[tuple[ReleaseName, Fact]]:
    damage = Damage()
    for source, group in groupby(sorted(releases), key=itemgetter(0)):
        names = [name for _, name in group]
        for start in range(0, len(names), AT_ONCE_MAX):
            for row in _NOTICES.rows(connection, {"source": source}, names[start : start + AT_ONCE_MAX]):
                fact = damage.whole(row)
                if fact is not None:
                    yield (source, row.release), fact


def _write(connection: Connection, batch: Batch, heads: Heads) -> None:
    if batch.facts:
        first = heads.sealing.next_place(connection)
        _FACTS.add(
            connection, [_fact_columns(one.seq, one.filing, place) for place, one in enumerate(batch.facts, first)]
        )
    if batch.kept_aside:
        rows = [
            {
                "source": one.identity[0],
                "event_id": one.identity[1],
                "digest": one.digest,
                "received_us": one.received_us,
                "printer": one.filing.printer,
                "seq": one.seq,
                "body": one.filing.body,
            }
            for one in batch.kept_aside
        ]
        connection.execute(insert(schema.conflict), rows)
    if batch.open_runs:
        _DROP_RUN.run_all(connection, [{"printer": printer} for printer in batch.open_runs])
        rows = [{"printer": printer, "body": signed_run(body)} for printer, body in batch.open_runs.items()]
        _RUNS.add(connection, rows)
    redated = [apply_redated(connection, one) for one in batch.redates]
    for together in _one_a_printer([*batch.replacements, *redated]):
        heads.follow(connection, together)
        note_changes(connection, together)
        _replace(connection, together)
    for entry in batch.outbox:
        if isinstance(entry, Announcement):
            announce(connection, entry)
        else:
            part(connection, entry)


def _one_a_printer(replacements: Sequence[Replacement]) -> Iterable[list[Replacement]]:
    """Replacements that can be made at once: in order, and no printer twice in one lot."""
    lot: list[Replacement] = []
    seen: set[str] = set()
    for replacement in replacements:
        if replacement.printer in seen:
            yield lot
            lot, seen = [], set()
        lot.append(replacement)
        seen.add(replacement.printer)
    if lot:
        yield lot


def _fact_columns(seq: int, filing: FactRecord, place: int) -> Columns:
    source, event_id = filing.identity or (None, None)
    body, digest = filing.packed or (filing.body, digest_text(filing))
    return {
        "printer": filing.printer,
        "seq": seq,
        "kind": filing.kind,
        "at_us": filing.at_us,
        "source": source,
        "event_id": event_id,
        "release": filing.release,
        "body": body,
        "digest": digest,
        "origin": filing.origin,
        "place": place,
    }


def _replace(connection: Connection, lot: Sequence[Replacement]) -> None:
    """The rows of the dropped segments go with them (ON DELETE CASCADE)."""
    dropped = [
        {"printer": one.printer, "from_us": BEGINNING_US if one.from_anchor_us is None else one.from_anchor_us}
        for one in lot
    ]
    _DROP_SEGMENTS.run_all(connection, dropped)
    for table, adding in _ROWS:
        adding.add(connection, [row for one in lot for row in one.rows.get(table, ())])
