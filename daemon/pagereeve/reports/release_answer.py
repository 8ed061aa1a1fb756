"""What is known of a release in a few lines: asked for, counted, charged, why, and what is not known."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS, UNIT_UNKNOWN
from pagereeve.domain.charging.postings import PROVABLE_MINIMUM
from pagereeve.domain.ledger import Charge, Grade, Verdict
from pagereeve.domain.values.amounts import Figure
from pagereeve.queries.release_evidence import Evidence
from pagereeve.reports.page_decisions import after_decisions
from pagereeve.reports.sentences import CHARGING, VERDICTS, interval_text, pages_text, reason_text
from pagereeve.reports.timeline import perhaps_twice, twice_text

CAUTION: Final = (
    "A finding is a question about what the meter shows. It accuses nobody: machines, clocks and networks err, and a "
    "copy made by hand looks like a page too many. Ask before you decide."
)


def answer_lines(evidence: Evidence) -> Iterator[str]:
    """Of each billed channel that the release has a row of."""
    billed = [one for one in evidence.charges if one.channel in CLAIMED_CHANNELS]
    for charge in billed or evidence.charges[:1]:
        channel = f" ({charge.channel})" if len(billed) > 1 else ""
        said = charge.released is not None or UNIT_UNKNOWN in charge.reasons
        asked = interval_text(charge.expected) if said else "not said"
        yield f"Asked for{channel}: {asked}, by {charge.owner}."
        yield f"Counted{channel}: {counted_text(evidence, charge)}."
        charged, unproven = after_decisions(charge, evidence.decided)
        yield f"Charged{channel}: {charged}{_unsupported(unproven)}."
        yield f"Why{channel}: {why_text(evidence, charge)}."
        unknown = list(unknown_texts(evidence, charge))
        yield f"Not known{channel}: {'; '.join(unknown) if unknown else 'nothing'}."


def counted_text(evidence: Evidence, charge: Charge, unit: str = "", figure: Figure = str) -> str:
    """How much, by which witness, and whether for this release alone. ``unit`` stands behind a figure, its blank
    first.
    """
    if charge.verdict is None:
        return "not yet"
    if charge.counted is None:
        return "nothing that the meter proves"
    others = len({one.release for one in evidence.others})
    if not others:
        return f"{figure(charge.counted)}{unit}, by the printer's meter, for this release alone"
    whole = sum(
        one.counted for one in evidence.stretches if one.channel == charge.channel and evidence.key in one.releases
    )
    beside = "one other" if others == 1 else f"{others} others"
    known = charge.grade is not Grade.SHARED or charge.verdict is Verdict.AGREES
    part = f"its part is {figure(charge.counted)}" if known else "what of it is its own is not proven"
    return f"{figure(whole)}{unit}, by the printer's meter, for this release and {beside} together; {part}"


def why_text(evidence: Evidence, charge: Charge) -> str:
    """The verdict, and the rule that the charge follows."""
    rule = charging_text(evidence, charge)
    return rule if charge.verdict is None else f"{VERDICTS[charge.verdict]}; {rule}"


def _unsupported(pages: int) -> str:
    return f", and {pages_text(pages)} unsupported, to be waived or confirmed (pagereeve decide)" if pages else ""


def unknown_texts(evidence: Evidence, charge: Charge, figure: Figure = str) -> Iterator[str]:
    """What nobody knows of it, each as a part of a sentence."""
    if charge.verdict is None:
        yield "what the meter will show once it rests: all figures may change"
    if UNIT_UNKNOWN in charge.reasons:
        yield "whether the meter counts sheets or sides"
    elif charge.released is None:
        yield "exactly how much was asked for, as its ticket does not say"
    if charge.verdict is not None and charge.counted is None:
        yield "how much came out"
    elif charge.grade is Grade.SHARED and charge.verdict is not Verdict.AGREES:
        yield "to which of the releases the difference belongs: it is said of all of them, and of nobody alone"
    elif charge.grade is Grade.WIDE:
        yield "whether pages of somebody else are in the count, as a reading lies far away"
    if pages := perhaps_twice(evidence):
        yield f"whether {twice_text(pages, figure)}, as the count fell back"
    if evidence.starts and not any(one.badge for one in evidence.starts):
        yield "whose badge let it go, as its notice names none"


def charging_text(evidence: Evidence, charge: Charge) -> str:
    """Why so much is charged, and no more."""
    if charge.channel not in CLAIMED_CHANNELS:
        return "shown for information"
    if charge.verdict is None:
        return "nothing is decided while the window is open"
    if charge.counted is None:
        if charge.unproven:
            return "nothing proves a count, so the claim is listed apart (unsupported), to be confirmed or waived"
        return "nothing proves a count, and nothing is claimed for it"
    rule = f"by the policy {evidence.policy.charging!r} {CHARGING[evidence.policy.charging]}"
    if PROVABLE_MINIMUM in charge.reasons:
        return f"{rule}, as far as {reason_text(PROVABLE_MINIMUM)}"
    return rule
