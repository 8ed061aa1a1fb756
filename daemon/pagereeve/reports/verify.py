"""What a verification found, in words and as JSON; and proofs as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.ports.seal import SealHead
from pagereeve.queries.inclusion import InclusionProof, ProvenFact
from pagereeve.queries.verify import HeadVerdict, Verdict, Verification
from pagereeve.queries.verify_archives import ArchiveVerdict
from pagereeve.queries.verify_problems import Problem, What
from pagereeve.reports.seal import head_json, head_line

PROOF: Final = "pagereeve-inclusion-1"
_WORDS: Final[Mapping[What, str]] = {
    "edited": "is not what was sealed",
    "removed": "was removed",
    "inserted": "was inserted: nobody sealed it",
    "doubled": "was inserted: it repeats fact {other}",
    "reordered": "was moved: what was sealed here stands under {other} now",
    "date-edited": "has another date than it was given",
    "column-edited": "stands under wrong columns: {columns}",
    "seal-edited": "is what it was, but its seal was changed",
    "seal-removed": "seals {position} to {other} were removed",
    "summary-edited": "the summary of the seal was changed: it names another head than the seals lead to",
    "claim-edited": "reports a second claim that is not what was kept aside",
    "erased-otherwise": "does not agree with what was said of a person's erasure",
    "archive-damaged": "is not what was sealed in archive {said}",
    "archive-edited": "what the journal records of archive {said} is not what was sealed when it was made",
    "unreadable": "the journal's files are damaged: {said}",
}
_OF_JOURNAL: Final = frozenset({"seal-removed", "summary-edited", "unreadable", "archive-edited"})
_OF_ARCHIVE: Final = frozenset({"archive-damaged", "archive-edited"})
_VERDICTS: Final[Mapping[Verdict, str]] = {
    "agrees": "agrees",
    "cut-off": "DIFFERS: the journal holds fewer facts than it had then; it was cut off, or an older copy put back",
    "rewritten": "DIFFERS: the journal's first facts were rewritten, all seals with them, since this head was noted",
    "other-journal": "DIFFERS: it is another journal's",
    "unknown": "DIFFERS: no number of this journal's facts has this head",
}


def verification_lines(done: Verification) -> Iterator[str]:
    for problem in done.problems:
        yield visible(_problem_line(problem))
    if done.count > len(done.problems):
        yield f"and {done.count - len(done.problems)} more"
    for verdict in done.verdicts:
        yield visible(f"head {_held_text(verdict)} {_VERDICTS[verdict.verdict]}")
    for archive in done.archives:
        yield visible(_archive_line(archive))
    if done.head is not None:
        yield _since_line(done.head)
        outcome = "all as sealed" if not done.count else amount(done.count, "problem")
        yield f"{amount(done.checked, 'fact')} checked, {outcome}; {head_line(done.head)}"


def verification_json(done: Verification) -> dict[str, Any]:
    return {
        "good": done.is_good,
        "checked": done.checked,
        "seal": None if done.head is None else head_json(done.head),
        "problems": [_problem_json(one) for one in done.problems],
        "problems_count": done.count,
        "archives": [_archive_json(one) for one in done.archives],
        "heads": [
            {"head": one.held.head, "size": one.held.size, "where": one.held.where, "verdict": one.verdict}
            for one in done.verdicts
        ],
    }


def _archive_line(one: ArchiveVerdict) -> str:
    file = one.file
    facts = f"archive {file.name} ({file.period}): {amount(file.facts, 'fact')}"
    if one.state == "missing":
        return f"{facts}, NOT SEEN: the file is not in the folder of archives; put it there and verify again"
    return f"{facts}, {'all' if one.proven == file.facts else one.proven} as sealed"


def _archive_json(one: ArchiveVerdict) -> dict[str, Any]:
    file = one.file
    return {
        "file": file.name,
        "period": file.period,
        "facts": file.facts,
        "sha256": file.sha256,
        "state": one.state,
        "as_sealed": None if one.state == "missing" else one.proven,
    }


def proof_json(proof: InclusionProof, *, opened: bool) -> dict[str, Any]:
    """What ``contrib/check_proof.py`` checks. ``opened``: with the values and salts of personal members."""
    return {
        "proof": PROOF,
        "release": proof.release,
        "source": proof.source,
        "origin": proof.head.origin,
        "size": proof.head.size,
        "head": proof.head.head,
        "facts": [_fact_json(one, opened=opened) for one in proof.facts],
    }


def _fact_json(one: ProvenFact, *, opened: bool) -> dict[str, Any]:
    openings = {name: {"salt": salt, "value": value} for name, (salt, value) in one.content.openings.items()}
    return {
        "timeline": one.timeline,
        "seq": one.content.seq,
        "position": one.position,
        "content": one.content.content,
        "openings": openings if opened else {},
        "previous": one.previous.hex(),
        "path": [part.hex() for part in one.path],
    }


def _problem_line(one: Problem) -> str:
    words = _WORDS[one.what].format(
        other=one.other, position=one.position, columns=", ".join(one.columns), said=one.said
    )
    if one.what == "archive-damaged" and not one.seq:
        return f"archive {one.said} is not the file that was recorded: its digest is another"
    if one.what in _OF_JOURNAL:
        return words
    to = f" to {one.other}" if one.what == "removed" and one.other > one.seq else ""
    return f"{one.printer or 'the site'}: fact {one.seq}{to} {words}"


def _problem_json(one: Problem) -> dict[str, Any]:
    members: dict[str, Any] = {"what": one.what, "says": _problem_line(one)}
    if one.what not in _OF_JOURNAL:
        members |= {"printer": one.printer, "seq": one.seq}
    optional: Sequence[tuple[str, Any]] = (
        ("position", one.position),
        ("other", one.other),
        ("columns", list(one.columns)),
        ("archive", one.said if one.what in _OF_ARCHIVE else ""),
    )
    return members | {name: value for name, value in optional if value}


def _held_text(verdict: HeadVerdict) -> str:
    held = verdict.held
    text = held.head if held.size is None else f"{held.size}:{held.head}"
    return f"{text} ({held.where})" if held.where else text


def _since_line(head: SealHead) -> str:
    since = to_text(head.since_us)
    if head.older is None:
        return f"facts of before {since} are being sealed; let the daemon start, and verify again"
    if head.older:
        return f"sealed from fact {head.older + 1} on; the {head.older} before it as they stood at {since}"
    return f"sealed from the first fact on, since {since}"
