"""What grades, verdicts and reasons mean, in sentences for somebody who keeps accounts and not printers."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.brackets.hypotheses import HINT_PREFIX, hint_text
from pagereeve.domain.facts.ticket import ColorMode, Ticket
from pagereeve.domain.ledger import Grade, Interval, Verdict
from pagereeve.domain.values.amounts import Figure, amount
from pagereeve.reports.media import media_text

GRADES: Final[dict[Grade, str]] = {
    Grade.TIGHT: "the meter was read shortly before and after, and no other release ran in between",
    Grade.INFERRED: "other releases ran close by; the meter rested in between at a count that fits",
    Grade.MATCHED: "other releases ran at the same time, and the meter shows exactly what all of them should print",
    Grade.SHARED: "other releases ran at the same time; the meter shows their sum, and the shares are worked out",
    Grade.WIDE: "a reading before or after is far away, so other pages may be in the count",
    Grade.BROKEN: "the meter was replaced, reset or fell back in between; before and after can't be subtracted",
    Grade.BLIND: "no reading before or none after; nothing can be subtracted",
}

VERDICTS: Final[dict[Verdict, str]] = {
    Verdict.AGREES: "the count lies within what was expected",
    Verdict.SURPLUS: "the meter counted more than was expected",
    Verdict.SHORTFALL: "the meter counted less than was expected",
    Verdict.UNPROVEN: "nothing proves how many pages came out",
}

REASONS: Final[dict[str, str]] = {
    "pages-from-end-notice": "the ticket names no pages; the figure is the end notice's",
    "pages-unknown": "neither ticket nor end notice says how many pages",
    "copies-unknown": "the ticket does not say how many copies, so at least one is expected",
    "number-up-unknown": "the ticket does not say how many pages share a side",
    "sides-unknown": "the ticket does not say whether both sides are printed",
    "blank-backs": "the blank back of a last sheet may or may not be counted by this printer",
    "separators-unknown": "there may be up to two separator sheets",
    "separator-backs": "the blank backs of separator sheets may or may not be counted",
    "cancelled": "the release was cancelled, so any part of it may have been printed",
    "aborted": "the release was aborted, so any part of it may have been printed",
    "about-the-bracket": "this is about all releases of the bracket together, not about one person",
    "no-reading-after": "no good reading came after it, before the wait for one was over",
    "window-open": "the meter has not come to rest yet",
    "unknown-printer": "nobody registered a printer of that name, so no meter was ever read",
    "window-never-moved": "the meter never moved, and the policy's wait for that was over",
    "window-longest-wait": "the meter did not come to rest within the longest wait",
    "rest-by-count": "the printer's state stayed busy; the count had come to rest",
    "provable-minimum": "pages surely came out for this release; the rest of its claim is listed apart (unsupported)",
    "unit-unknown": "nobody says whether the meter counts sheets or sides, so anything from the one to the other fits",
    "unit-below-need": (
        "the charge rests on the counter's unit, and that is not known as well as charging_needs asks for: "
        "the claim is listed apart (unsupported)"
    ),
    "copies-not-counted-apart": "if somebody copied by hand meanwhile, the meter does not say so",
    "stalled": "an error stopped the printer in between (a jam, an empty tray)",
    "read-from-panel": "the count is what people read from the panel, and no better than they are",
    "no-end-notice": "no end notice came",
    "run-ended": "the meter was replaced, reset or fell back in between",
    "no-reading-before": "no good reading came before the release",
    "within-tolerance": "the count is off by no more than the printer's tolerance",
    "maintenance": "the printer was under maintenance",
    "test-pages": "somebody noted test pages",
    "maintenance-decided": "somebody recorded that these pages were maintenance",
    "started-before": "the same job was released before, so this time it may have printed or not",
    "large-media": "a side of large media may count once or twice on this printer",
    "media-unknown": "the ticket does not say the size, and large media weigh more on this printer",
    "start-up-page": "the printer was off in between, and may have printed a page of its own when it restarted",
    "partly-printed": "a part of the job was printed before the release was given up",
    "share-as-expected": "the sum is as expected, so each release has what was expected of it",
    "share-by-readings": "readings in between show whose pages are whose",
    "share-by-jobs": "the printer's own counts of its jobs show whose pages are whose",
    "cut-by-job": "the printer's own jobs show where one release ended and the next began",
    "witnesses-disagree": "the printer's jobs count more pages than its meter, so what they say is set aside",
    "job-by-id": "the notice names the printer's job by an id that the printer itself shows",
    "job-by-number": "the notice names the number of the printer's job",
    "job-sole": "the printer had one job more, and it fits this release",
    "job-by-order": "the printer's jobs and these releases are in the same order, and their counts fit",
    "job-aborted": "the printer gave the job up",
    "job-cancelled": "the job was cancelled at the printer",
    "beyond-its-job": "the printer's own count of the job is as released; the rest was not printed by it",
    "share-in-proportion": (
        "the meter can't separate all pages of these releases; the rest is shared in proportion to what was expected"
    ),
    "other-function": "the meter counts copies and faxes separately, and some were made in between",
}

CLOSINGS: Final[dict[str, str]] = {
    "window-never-moved": "The window closed because the meter never moved and the wait for that was over.",
    "window-longest-wait": "The window closed at the longest wait; the meter had not come to rest.",
    "no-reading-after": "The window closed without a reading after it.",
    "rest-by-count": "The window closed because the count had come to rest, though the printer's state stayed busy.",
    "window-open": "The window is still open: the meter has not come to rest yet.",
    "unknown-printer": "Nobody registered a printer of that name, so no meter was read, and none will be.",
}
RESTED: Final = "The window closed when the meter had rested for {settle}, the printer's settle time."

COLOURS: Final[dict[ColorMode, str]] = {
    "monochrome": "monochrome",
    "color": "in colour",
    "auto": "in colour where a page has some",
}

CHARGING: Final[dict[str, str]] = {
    "lesser": "the lesser of counted and released is charged",
    "counted": "what was counted is charged",
    "released": "what was released is charged",
    "none": "only what is proven is charged",
}


def reason_text(reason: str) -> str:
    """The reason in words; one that has no words of its own is shown as it is."""
    suffix = "-not-in-ticket"
    if reason.endswith(suffix):
        return f"the ticket does not say how many of the pages are {reason.removesuffix(suffix)}"
    suffix = "-not-of-a-release"
    if reason.endswith(suffix):
        return f"{reason.removesuffix(suffix)} belong to no release"
    if reason.startswith(HINT_PREFIX):
        return hint_text(reason)
    return REASONS.get(reason, reason)


def closing_text(reasons: tuple[str, ...], settle_us: int) -> str:
    """How and why the window closed."""
    rested = RESTED.format(settle=span_text(settle_us))
    return next((CLOSINGS[reason] for reason in reasons if reason in CLOSINGS), rested)


def interval_text(interval: Interval | None, figure: Figure = str) -> str:
    if interval is None:
        return "unknown"
    least = figure(interval.least)
    if interval.most is None:
        return f"at least {least}"
    return least if interval.least == interval.most else f"{least} to {figure(interval.most)}"


def ticket_text(ticket: Ticket, figure: Figure = str) -> str:
    """The ticket in words; only what it says. The title is left out on purpose."""
    sides = {
        "one-sided": "one-sided",
        "two-sided-long-edge": "two-sided (long edge)",
        "two-sided-short-edge": "two-sided (short edge)",
    }
    parts = [
        None if ticket.pages is None else amount(ticket.pages, "page", figure=figure),
        None if ticket.copies is None else amount(ticket.copies, "copy", "copies", figure),
        None if ticket.sides is None else sides[ticket.sides],
        None if ticket.number_up is None else f"{amount(ticket.number_up, 'page')} on a side",
        None if ticket.color_mode is None else COLOURS[ticket.color_mode],
        None if ticket.media is None else f"on {media_text(ticket.media)}",
        amount(ticket.separator_sheets, "separator sheet", figure=figure) if ticket.separator_sheets else None,
    ]
    text = ", ".join(part for part in parts if part is not None)
    return text or "nothing: the ticket says neither pages nor copies"


def pages_text(figure: int | None) -> str:
    return "unknown" if figure is None else str(figure)


def span_text(span_us: int) -> str:
    """A length of time for people: ``40 ms``, ``2.4 s``, ``95 s``, ``12 min``, ``3.5 h``, ``2.0 d``."""
    seconds = abs(span_us) / 1_000_000
    if seconds < 0.1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86_400:.1f} d"
