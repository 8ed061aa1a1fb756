"""``pagereeve verify``: does the journal say what was sealed, and do heads that somebody holds agree with it?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol

from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.facts import Redated
from pagereeve.domain.facts.redating import shifted_by
from pagereeve.domain.seal.chain import entry as entry_bytes
from pagereeve.domain.seal.chain import first_link, next_link
from pagereeve.domain.seal.erasure import ErasedMembers, erasure_digest, name_of_erasure
from pagereeve.domain.seal.merkle import Frontier, leaf_hash
from pagereeve.ports.archives import ArchiveReads
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.seal import FoundFact, SealedEntry, SealHead, SealHeads, SealReads, UnsealedFact
from pagereeve.queries.verify_archives import ArchivedWalk, ArchiveVerdict
from pagereeve.queries.verify_problems import Problem, What

PROBLEMS_MAX: Final = 1_000
"""So many are named; of a journal with more, all are counted."""
NEIGHBOURS_MAX: Final = 24
"""Rows that fit nowhere are compared with one another, so many of a timeline at most."""

_OF_SEAL: Final[frozenset[What]] = frozenset({"seal-edited", "seal-removed"})
Verdict = Literal["agrees", "cut-off", "rewritten", "other-journal", "unknown"]


@dataclass(frozen=True, slots=True)
class HeldHead:
    """A head that somebody kept outside; ``size`` None where only its digest is known."""

    head: str
    size: int | None = None
    origin: str | None = None
    where: str = ""


@dataclass(frozen=True, slots=True)
class HeadVerdict:
    held: HeldHead
    verdict: Verdict


@dataclass(slots=True)
class Verification:
    """``head`` is that of the journal when it was begun; ``count`` of all problems, of which ``problems`` are named.
    ``archives``: files with facts that left the journal.
    """

    head: SealHead | None = None
    checked: int = 0
    count: int = 0
    problems: list[Problem] = field(default_factory=list)
    verdicts: list[HeadVerdict] = field(default_factory=list)
    archives: list[ArchiveVerdict] = field(default_factory=list)

    def add(self, problem: Problem) -> None:
        self.count += 1
        if len(self.problems) < PROBLEMS_MAX:
            self.problems.append(problem)

    @property
    def is_good(self) -> bool:
        """Nothing is wrong in what was seen."""
        return not self.count and all(one.verdict == "agrees" for one in self.verdicts)

    @property
    def unseen(self) -> list[ArchiveVerdict]:
        return [one for one in self.archives if one.state == "missing"]


async def journal_heads(reads: SealHeads) -> SealHead | None:
    """What the journal's seal says of itself now, without reading its facts: for whoever compares two journals."""
    return await reads.seal_head()


class VerifiableReads(SealReads, ArchiveReads, Protocol): ...


async def verify(reads: VerifiableReads, held: Sequence[HeldHead] = ()) -> Verification:
    """Reads all facts, beside a daemon too: what is stored meanwhile is left for the next time."""
    done = Verification()
    try:
        for said in await reads.file_troubles():
            done.add(Problem("unreadable", said=said))
        await _Walk(reads, done, held).run()
    except JournalUnavailable as error:
        done.add(Problem("unreadable", said=str(error)))
    known = {one.held: one for one in done.verdicts}
    done.verdicts = [known.get(one, HeadVerdict(one, "unknown")) for one in held]
    return done


@dataclass(frozen=True, slots=True)
class _Unfit:
    """A row that is not what was sealed under its number; ``previous`` is the link before it."""

    entry: SealedEntry
    previous: bytes


class _Walk:
    """Once through all entries, in the order in which they were sealed."""

    def __init__(self, reads: VerifiableReads, done: Verification, held: Sequence[HeldHead]) -> None:
        self._reads = reads
        self._done = done
        self._held = list(dict.fromkeys(held))
        self._tree = Frontier()
        self._last: dict[str, tuple[int, bytes]] = {}
        self._expected: dict[str, bytes] = {}
        self._unlinked: set[str] = set()
        self._unfit: dict[str, list[_Unfit]] = defaultdict(list)
        self._unfit_count = 0
        self._erasures = _Erasures()
        self._redatings: Mapping[str, Sequence[tuple[int, Redated]]] = {}
        self._archived = ArchivedWalk(reads, done.add)

    async def run(self) -> None:
        reads, done = self._reads, self._done
        head = done.head = await reads.seal_head()
        if head is None:
            done.add(Problem("summary-edited"))
            return
        survey = await reads.fact_survey()
        redatings: dict[str, list[tuple[int, Redated]]] = defaultdict(list)
        for one in survey.redatings:
            if isinstance(one.fact, Redated):
                redatings[one.fact.printer].append((one.seq, one.fact))
        self._redatings = redatings
        for held in [one for one in self._held if one.origin not in {None, head.origin}]:
            self._decide(held, "other-journal")
        self._compare_heads()
        await self._archived.begin()
        async for entry in reads.sealed_facts():
            if entry.position > head.size:
                break
            self._places(entry)
            self._one(entry, head.origin)
            self._compare_heads()
        await self._end(head)
        await self._reorder()
        for printer, seq in self._erasures.wrong():
            done.add(Problem("erased-otherwise", printer, seq))
        done.archives = await self._archived.end()
        for fact in survey.unsealed:
            self._unsealed(fact)
        for printer, seq in await reads.wrong_claims():
            done.add(Problem("claim-edited", printer, seq))

    def _places(self, entry: SealedEntry) -> None:
        missing_from = self._tree.size + 1
        if entry.position != missing_from:
            self._done.add(Problem("seal-removed", position=missing_from, other=entry.position - 1))
            # Heads of more than this can't be compared any more: they differ, and it is known why.
            self._tree.size = entry.position - 1
            self._tree.peaks = [b""] * self._tree.size.bit_count()

    def _one(self, entry: SealedEntry, origin: str) -> None:
        done, printer = self._done, entry.printer
        if not isinstance(printer, str) or not isinstance(entry.seq, int) or entry.link is None:
            # A flipped bit may leave no text, no number or no digest.
            done.add(Problem("seal-edited", str(printer), position=entry.position))
            self._tree.add(b"")
            self._unlinked.add(printer)
            return
        done.checked += 1
        seq, previous = self._last.get(printer) or (0, first_link(origin, printer))
        if entry.seq == seq + 1:
            self._fact(entry, printer, previous)
        elif printer in self._unlinked:
            # What it was chained to can't be read, and that was said.
            self._unlinked.discard(printer)
        else:
            done.add(Problem("removed", printer, seq + 1, other=entry.seq - 1))
        self._last[printer] = (entry.seq, entry.link)
        self._tree.add(leaf_hash(entry_bytes(origin, printer, entry.seq, entry.link)))

    def _fact(self, entry: SealedEntry, printer: str, previous: bytes) -> None:
        found, alternative = entry.found, self._expected.pop(printer, None)
        if found is None and self._archived.holds(printer, entry.seq):
            return
        if found is None:
            self._done.add(Problem("removed", printer, entry.seq, entry.position))
            return
        if not _follows(previous, found.digest, entry.link):
            if _follows(alternative, found.digest, entry.link):
                # The fact before is what was sealed: its seal was changed, and not the fact.
                before = self._unfit[printer].pop()
                self._done.add(Problem("seal-edited", printer, before.entry.seq, before.entry.position))
                self._columns(entry, printer, found)
                return
            self._unfit_count += 1
            if self._unfit_count > PROBLEMS_MAX:
                self._done.add(Problem("edited", printer, entry.seq, entry.position))
                return
            self._unfit[printer].append(_Unfit(entry, previous))
            if found.digest is not None:
                self._expected[printer] = next_link(previous, found.digest)
            return
        self._columns(entry, printer, found)

    def _columns(self, entry: SealedEntry, printer: str, found: FoundFact) -> None:
        """What is right in itself may stand under wrong columns, which is what questions go by."""
        if found.wrong:
            self._done.add(Problem("column-edited", printer, entry.seq, entry.position, columns=found.wrong))
        if found.is_own:
            # Of another journal's facts that one says what lies in its archives.
            self._erasures.add(printer, entry.seq, found)
            self._archived.said(found)
        else:
            self._erasures.add_of_site(printer, entry.seq, found)
        if found.fact is not None:
            later = (by for number, by in self._redatings.get(printer, ()) if number > entry.seq)
            expected = shifted_by(found.fact, later)
            if found.shift_us != expected:
                self._done.add(Problem("date-edited", printer, entry.seq, entry.position))

    def _compare_heads(self) -> None:
        size = self._tree.size
        for held in [one for one in self._held if one.size == size or (one.size is None and size)]:
            agrees = self._tree.head().hex() == held.head
            if agrees or held.size is not None:
                self._decide(held, "agrees" if agrees else "rewritten")

    def _decide(self, held: HeldHead, verdict: Verdict) -> None:
        self._held.remove(held)
        self._done.verdicts.append(HeadVerdict(held, verdict))

    async def _end(self, head: SealHead) -> None:
        done, size = self._done, self._tree.size
        if size < head.size:
            done.add(Problem("seal-removed", position=size + 1, other=head.size))
        elif self._tree.head().hex() != head.head and not any(one.what in _OF_SEAL for one in done.problems):
            done.add(Problem("summary-edited"))
        last, now = await self._reads.last_position(), await self._reads.seal_head()
        if now is None or last > now.size:
            done.add(Problem("summary-edited", position=last))
        for held in [*self._held]:
            self._decide(held, "unknown" if held.size is None else "cut-off")

    async def _reorder(self) -> None:
        """Rows that fit nowhere: does each hold what was sealed under another number?"""
        for printer, unfit in self._unfit.items():
            numbers = [one.entry.seq for one in unfit]
            for one in unfit:
                other = await self._place_of(printer, one, numbers)
                what: What = "edited" if other is None else "reordered"
                self._done.add(Problem(what, printer, one.entry.seq, one.entry.position, other or 0))

    async def _place_of(self, printer: str, one: _Unfit, numbers: Iterable[int]) -> int | None:
        """The number under which that stands which was sealed under this one."""
        seq = one.entry.seq
        near = sorted({*numbers, seq + 1} - {seq}, key=lambda number: abs(number - seq))
        for number in near[:NEIGHBOURS_MAX]:
            digest = await self._reads.digest_as(printer, one.entry.position, number)
            if digest is not None and next_link(one.previous, digest) == one.entry.link:
                return number
        return None

    def _unsealed(self, fact: UnsealedFact) -> None:
        what: What = "inserted" if fact.same_as is None else "doubled"
        self._done.add(Problem(what, fact.printer, fact.seq, other=fact.same_as or 0))


class _Erasures:
    """What is erased beside what was said of it when it was: nothing else may be, nor any other name stand there."""

    def __init__(self) -> None:
        self._said: dict[str, tuple[int, Erased]] = {}
        self._erased: dict[str, list[ErasedMembers]] = defaultdict(list)
        self._erased_of_sites: dict[str, list[ErasedMembers]] = defaultdict(list)

    def add(self, printer: str, seq: int, found: FoundFact) -> None:
        if isinstance(found.fact, Erased):
            self._said[found.fact.name] = (seq, found.fact)
        for erasure, members in _members_by_erasure(found):
            self._erased[erasure].append((printer, seq, members))

    def add_of_site(self, printer: str, seq: int, found: FoundFact) -> None:
        """A member was erased there, which that site's journal says, or here, which this one says."""
        for erasure, members in _members_by_erasure(found):
            self._erased_of_sites[erasure].append((printer, seq, members))

    def wrong(self) -> Iterator[tuple[str, int]]:
        for name, facts in self._erased.items():
            if name not in self._said:
                yield from ((printer, seq) for printer, seq, _ in facts)
        for name, (seq, fact) in self._said.items():
            facts = [*self._erased.get(name, ()), *self._erased_of_sites.get(name, ())]
            if (len(facts), erasure_digest(facts)) != (fact.facts, fact.digest):
                yield fact.printer, seq


def _members_by_erasure(found: FoundFact) -> Iterable[tuple[str, Sequence[str]]]:
    names: dict[str, list[str]] = defaultdict(list)
    for name, value in (found.erased or {}).items():
        names[name_of_erasure(value)].append(name)
    return names.items()


def _follows(previous: bytes | None, digest: bytes | None, link: bytes | None) -> bool:
    return previous is not None and digest is not None and next_link(previous, digest) == link
