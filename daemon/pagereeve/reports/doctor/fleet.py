"""Printers and gateways: who does not answer, whose unit is assumed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.installation import SilentPrinter
from pagereeve.queries.units import assumed_by_model, model_offers
from pagereeve.reports.doctor.complaint import NAMED_MAX, Complaint, some
from pagereeve.reports.doctor.state import InstallationState
from pagereeve.reports.noted_readings import meter_text
from pagereeve.reports.units import offer_lines

# A printer may be off over a weekend; beyond a day somebody should know that it is.
SILENT_AFTER_US: Final = 86_400 * SECOND_US
# A lost datagram or two are no news, minutes without an answer are: it may be asleep, and it may be cut off.
FAILING_AFTER_US: Final = 120 * SECOND_US


def gateways(seen: InstallationState) -> Iterator[Complaint]:
    """One that is down is told, and not each printer behind it."""
    if not seen.gateways_down:
        return
    names = some(seen.gateways_down)
    gateways = f"Gateway {names} does" if len(seen.gateways_down) == 1 else f"Gateways {names} do"
    behind = [one.printer for one in seen.quiet if one.gateway == "down"]
    yield Complaint(
        "critical",
        f"{gateways} not answer" + (f"; behind: {some(behind)}." if behind else "."),
        "Nobody can release anything there, and no meter behind is read.",
        "Look at the gateway: its power, its cable, its switch port.",
    )


def printers(seen: InstallationState) -> Iterator[Complaint]:
    """A printer is named once. One that answers too late needs another setting, one that is silent a look at it."""
    do = "pagereeve prove NAME shows, stage by stage, where reading the printer fails."
    quiet = [one for one in seen.quiet if one.gateway != "down" or not seen.gateways_down]
    never = [one for one in quiet if one.since_us is None and not one.late]
    late = [one for one in quiet if one.late]
    told = [one for one in quiet if one.since_us is not None and not one.late]
    long = [one for one in told if _is_long_silent(one, seen.now_us)]
    stopped = [one for one in told if not _is_long_silent(one, seen.now_us) and _fails_for_minutes(one, seen.now_us)]
    if never:
        what = f"{_printers_have(never)} never sent a reading: {_names(never, seen)}."
        yield Complaint("warning", what, "Their releases can't be compared with a meter.", do)
    if late:
        what = f"{_printers_have(late)} answered too late to be read: {_names(late, seen)}."
        slow = "Lengthen read_timeout under [watch], or look at the network to them: the log says how late they are."
        yield Complaint("warning", what, "Their pages are not counted, though they work.", slow)
    why = "If they are not switched off or asleep, their pages are not counted."
    if long:
        what = f"{_printers_have(long)} sent no reading for more than a day: {_names(long, seen)}."
        yield Complaint("warning", what, why, do)
    if stopped:
        what = f"{_printers_have(stopped)} stopped answering: {_names(stopped, seen)}."
        yield Complaint("info", what, why, do)


def _is_long_silent(one: SilentPrinter, now_us: int) -> bool:
    return one.since_us is not None and one.since_us < now_us - SILENT_AFTER_US


def _fails_for_minutes(one: SilentPrinter, now_us: int) -> bool:
    return one.failing_us is not None and one.failing_us < now_us - FAILING_AFTER_US


def _printers_have(quiet: Sequence[SilentPrinter]) -> str:
    return _have(len(quiet))


def _names(quiet: Sequence[SilentPrinter], seen: InstallationState) -> str:
    """The first few; of many, how many of each reason goes before them."""
    names = some([_quiet(one, seen) for one in quiet])
    reasons = Counter(one.reason for one in quiet if one.reason)
    if len(quiet) <= NAMED_MAX or not reasons:
        return names
    return f"{', '.join(f'{count} {reason}' for reason, count in reasons.most_common())}; {names}"


def _quiet(one: SilentPrinter, seen: InstallationState) -> str:
    last = "" if one.since_us is None else f"last {seen.at(one.since_us)}"
    gateway = "its gateway answers" if one.gateway == "answers" else ""
    details = [text for text in (one.reason, last, gateway) if text]
    return f"{one.printer} ({', '.join(details)})" if details else one.printer


def units(seen: InstallationState) -> Iterator[Complaint]:
    """Of a fleet it is one thing to know, and an alarm of none of them."""
    models = assumed_by_model(seen.units)
    if not models:
        return
    names = [name for printers in models.values() for name in printers]
    of_models = some([f"{len(printers)} of {model or 'an unknown model'}" for model, printers in models.items()])
    offers = offer_lines(model_offers(seen.units))
    prove = "Two two-sided releases of four pages teach it; pagereeve prove NAME --print proves it for one of a model."
    yield Complaint(
        "info",
        f"{'One printer runs' if len(names) == 1 else f'{len(names)} printers run'} on an assumed unit: {of_models} "
        f"({some(names)}).",
        "Two-sided releases there agree with more than one count, and are charged only if charging_needs allows it.",
        " ".join([f"{one}." for one in offers] or [prove]),
    )


def by_ipp(seen: InstallationState) -> Iterator[Complaint]:
    names = [one.printer for one in seen.units if one.by_ipp]
    if names:
        yield Complaint(
            "info",
            f"{'One printer is' if len(names) == 1 else f'{len(names)} printers are'} counted by IPP ({some(names)}).",
            "What comes to the printer otherwise (copies, other print ports) may be missing in that count.",
            "pagereeve prove NAME --print shows whether it counts what your release server prints.",
        )


def panels(seen: InstallationState) -> Iterator[Complaint]:
    """The meter counts on, and nobody is charged by a panel: but one of the two is wrong."""
    if not seen.panels_off:
        return
    count = len(seen.panels_off)
    told = some([f"{one.panel.noted.printer}, {one.panel.figure}: {meter_text(one.meter)}" for one in seen.panels_off])
    figures = "A figure read from a panel disagrees" if count == 1 else f"{count} figures read from panels disagree"
    yield Complaint(
        "warning",
        f"{figures} with the meter: {told}.",
        "Either somebody misread it, or the meter that is read counts something else than the panel shows.",
        "Read the panel again. pagereeve note-reading --void ID takes a wrong figure back; pagereeve read shows what "
        "the meter offers.",
    )


def by_panel(seen: InstallationState) -> Iterator[Complaint]:
    """Nothing is asked of them: what they count is what people note."""
    never = [name for name, last_us in seen.by_panel.items() if last_us is None]
    known = [f"{name} (last {seen.at(last_us)})" for name, last_us in seen.by_panel.items() if last_us is not None]
    do = "pagereeve note-reading NAME FIGURE notes what the panel shows; before a period is closed, note one of each."
    if never:
        what = f"{_have(len(never))} no meter that can be asked, and no figure of a panel is noted: {some(never)}."
        yield Complaint("warning", what, "Their releases stay without a verdict until two figures are noted.", do)
    if known:
        are = "is" if len(known) == 1 else "are"
        what = f"{_have(len(known))} no meter that can be asked, and {are} counted by noted figures: {some(known)}."
        yield Complaint("info", what, "Releases between two figures share one wide bracket.", do)


def _have(count: int) -> str:
    return "One printer has" if count == 1 else f"{count} printers have"
