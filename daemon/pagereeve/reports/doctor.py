"""What is wrong with an installation, why it matters and what to do: from plain figures to a page, the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.ledger import SEVERITIES, Severity
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.installation import SilentPrinter

MIB: Final = 2**20
NAMED_MAX: Final = 5
# A printer may be off over a weekend; beyond a day somebody should know that it is.
SILENT_AFTER_US: Final = 86_400 * SECOND_US
# Messages are sent again for a while; after this long nobody receives them.
UNDELIVERED_AFTER_US: Final = 300 * SECOND_US
# As the feeds do with events: a source this far ahead is not believed.
AHEAD_US: Final = 120 * SECOND_US


@dataclass(frozen=True, slots=True)
class Complaint:
    severity: Severity
    what: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class InstallationState:
    """What was found. ``not_ready`` is None where no daemon answered; texts are empty where nothing is wrong.

    ``findings`` are open ones by (severity, kind). ``waiting_us`` is, by receiver, since when its oldest message waits.
    ``readable`` are files that everybody on the machine may read, and shouldn't. Sizes in bytes; None: no such file.
    """

    now_us: int
    listen: str
    data_dir: str
    settings: tuple[str, ...] = ()
    data_dir_trouble: str = ""
    disk_trouble: str = ""
    disk_free_bytes: int | None = None
    not_ready: Mapping[str, str] | None = None
    daemon_trouble: str = ""
    journal_trouble: str = ""
    journal_bytes: int | None = None
    wal_bytes: int = 0
    wal_limit_bytes: int = 64 * MIB
    newest_us: int | None = None
    findings: Mapping[tuple[Severity, str], int] = field(default_factory=dict)
    printers: int = 0
    quiet: tuple[SilentPrinter, ...] = ()
    waiting_us: Mapping[str, int] = field(default_factory=dict)
    readable: tuple[str, ...] = ()


def complaints_of(seen: InstallationState) -> list[Complaint]:
    """The worst first; empty where nothing is wrong."""
    found = [
        *_settings(seen),
        *_daemon(seen),
        *_storage(seen),
        *_clock(seen),
        *_secrets(seen),
        *_receivers(seen),
        *_printers(seen),
        *_findings(seen),
    ]
    return sorted(found, key=lambda one: SEVERITIES.index(one.severity))


def _settings(seen: InstallationState) -> Iterator[Complaint]:
    if seen.settings:
        count = len(seen.settings)
        number = "One thing is" if count == 1 else f"{count} things are"
        yield Complaint(
            "critical",
            f"{number} wrong with the settings: {_some(seen.settings, '; ')}.",
            "The daemon does not start with them, or ignores the wrong parts.",
            "Correct them; pagereeve check-config FILE lists all errors.",
        )
    elif not seen.printers:
        yield Complaint(
            "warning",
            "The settings name no printer.",
            "No meter is read, so no page is accounted for.",
            "Add [[printers]] to the settings; pagereeve prove NAME shows whether each can be read.",
        )


def _daemon(seen: InstallationState) -> Iterator[Complaint]:
    if seen.not_ready is None:
        yield Complaint(
            "critical",
            f"No daemon answers at {seen.listen}{_because(seen.daemon_trouble)}.",
            "Badges and release notices are refused, and no meter is read.",
            "Start it (systemctl start pagereeve), or see in its log why it ended (journalctl -u pagereeve).",
        )
        return
    for part, why in seen.not_ready.items():
        yield Complaint(
            "critical",
            f"The daemon is not ready, part {part}: {visible(why)}.",
            "While a part does not work, pages may go uncounted.",
            _PARTS.get(part, "Read the daemon's log (journalctl -u pagereeve)."),
        )


_PARTS: Final = {
    "start": "Wait a moment. If it does not become ready, read the log (journalctl -u pagereeve).",
    "journal": "Check the disk and the log; then restart the daemon (systemctl restart pagereeve).",
    "tasks": "Read what the log says of this task. If it does not recover, restart the daemon.",
    "loop": "Check whether the machine is overloaded or swaps (top, vmstat 1).",
    "disk": "Free space on the disk of the data folder.",
}


def _storage(seen: InstallationState) -> Iterator[Complaint]:
    if seen.data_dir_trouble:
        what = f"The data folder {seen.data_dir} {seen.data_dir_trouble}."
        do = "Create it, and give it to the user that the daemon runs as (chown, chmod 700)."
        yield Complaint("critical", what, "Nothing can be stored there.", do)
    elif seen.disk_trouble:
        why = "When it is full, the daemon stores nothing more and refuses events."
        yield Complaint(
            "critical", f"The disk of {seen.data_dir} is nearly full: {seen.disk_trouble}.", why, _PARTS["disk"]
        )
    if seen.journal_trouble:
        do = "Restore the journal from a copy, or start the daemon version that wrote it."
        yield Complaint("critical", f"{visible(seen.journal_trouble)}.", "Without it no command can show anything.", do)
    if seen.wal_bytes > seen.wal_limit_bytes:
        limit_mib = seen.wal_limit_bytes // MIB
        yield Complaint(
            "warning",
            f"The journal's write-ahead file takes {seen.wal_bytes // MIB} MiB, the limit is {limit_mib}.",
            "A process reads the journal for too long, so the daemon can't truncate it; it may fill the disk.",
            f"Find that process (fuser {seen.data_dir}/journal.sqlite) and end it; the daemon then truncates the file.",
        )


def _clock(seen: InstallationState) -> Iterator[Complaint]:
    if seen.newest_us is not None and seen.newest_us > seen.now_us + AHEAD_US:
        yield Complaint(
            "critical",
            f"The clock says {to_text(seen.now_us)}, but the journal has a fact of {to_text(seen.newest_us)}.",
            "The clock is wrong now, or it was when that fact was dated. Dates are provisional from there on.",
            "If it is wrong now, set it, and let NTP keep it (timedatectl set-ntp true). If it was then, stop the "
            "daemon and correct the dates, as with pagereeve clock redate --from ... --until ... --by=-2h --reason ...",
        )


def _secrets(seen: InstallationState) -> Iterator[Complaint]:
    if seen.readable:
        yield Complaint(
            "warning",
            f"Every user of this machine can read {_some(seen.readable)}.",
            "With the badge key and the journal, somebody can compute badge numbers. With a token or another secret, "
            "anybody can send events in the owner's name.",
            f"chmod o= {' '.join(seen.readable[:NAMED_MAX])}",
        )


def _receivers(seen: InstallationState) -> Iterator[Complaint]:
    for name, since_us in sorted(seen.waiting_us.items()):
        if since_us < seen.now_us - UNDELIVERED_AFTER_US:
            yield Complaint(
                "critical",
                f"The receiver {visible(name)} has not accepted a message since {to_text(since_us)}.",
                "Nobody receives alerts there.",
                "Read in the log why it refuses, and check whether this machine can reach it.",
            )


def _printers(seen: InstallationState) -> Iterator[Complaint]:
    never = [one for one in seen.quiet if one.since_us is None]
    long = [one for one in seen.quiet if one.since_us is not None and one.since_us < seen.now_us - SILENT_AFTER_US]
    do = "pagereeve prove NAME shows, stage by stage, where reading the printer fails."
    if never:
        what = f"{_printers_have(never)} never sent a reading: {_some([_quiet(one) for one in never])}."
        yield Complaint("warning", what, "Their releases can't be compared with a meter.", do)
    if long:
        what = f"{_printers_have(long)} sent no reading for more than a day: {_some([_quiet(one) for one in long])}."
        why = "If they are not switched off, their pages are not counted."
        yield Complaint("warning", what, why, do)


def _printers_have(quiet: Sequence[SilentPrinter]) -> str:
    return "One printer has" if len(quiet) == 1 else f"{len(quiet)} printers have"


def _quiet(one: SilentPrinter) -> str:
    details = [
        text for text in (one.reason, "" if one.since_us is None else f"last {to_text(one.since_us)[:16]}Z") if text
    ]
    return f"{one.printer} ({', '.join(details)})" if details else one.printer


def _findings(seen: InstallationState) -> Iterator[Complaint]:
    if not seen.findings:
        return
    by_weight = sorted(seen.findings.items(), key=lambda one: (SEVERITIES.index(one[0][0]), -one[1], one[0][1]))
    (worst, _), _ = by_weight[0]
    count = sum(seen.findings.values())
    yield Complaint(
        worst,
        f"{count} finding{' is' if count == 1 else 's are'} open: "
        f"{_some([f'{number} {kind}' for (_, kind), number in by_weight])}.",
        "A person should check each finding.",
        "pagereeve findings lists them with evidence; pagereeve findings explain records the cause of one.",
    )


def _some(texts: Sequence[str], between: str = ", ") -> str:
    """A few of them, and how many more."""
    shown = between.join(visible(text) for text in texts[:NAMED_MAX])
    return shown if len(texts) <= NAMED_MAX else f"{shown}{between}and {len(texts) - NAMED_MAX} more"


def _because(trouble: str) -> str:
    return f" ({visible(trouble)})" if trouble else ""


def doctor_text(seen: InstallationState, complaints: Sequence[Complaint]) -> str:
    """One page for people."""
    lines = []
    if complaints:
        number = "One thing is" if len(complaints) == 1 else f"{len(complaints)} things are"
        lines.append(f"{number} wrong{'' if len(complaints) == 1 else ', the worst first'}.")
    for place, one in enumerate(complaints, start=1):
        lines += ["", f"{place}. {one.severity.upper()}  {one.what}", f"   {one.why}", f"   What to do: {one.do}"]
    if not complaints:
        lines.append("Nothing is wrong.")
    return "\n".join([*lines, "", f"Looked at: {_looked_at(seen)}."])


def _looked_at(seen: InstallationState) -> str:
    size = "none yet" if seen.journal_bytes is None else f"{seen.journal_bytes / MIB:.1f} MiB"
    printers = "1 printer" if seen.printers == 1 else f"{seen.printers} printers"
    free = "" if seen.disk_free_bytes is None else f", {seen.disk_free_bytes / MIB / 1024:.1f} GiB free on its disk"
    return (
        f"the settings, the daemon at {seen.listen}, the journal in {seen.data_dir} ({size}, write-ahead file "
        f"{seen.wal_bytes / MIB:.1f} MiB{free}), {printers}, findings, receivers, secrets, the clock"
    )


def doctor_json(seen: InstallationState, complaints: Sequence[Complaint]) -> dict[str, Any]:
    return {
        "at": to_text(seen.now_us),
        "complaints": [
            {"severity": one.severity, "what": one.what, "why": one.why, "do": one.do} for one in complaints
        ],
        "daemon": {"answers": seen.not_ready is not None, "not_ready": dict(seen.not_ready or {})},
        "journal_bytes": seen.journal_bytes,
        "wal_bytes": seen.wal_bytes,
        "disk_free_bytes": seen.disk_free_bytes,
        "printers": seen.printers,
        "open_findings": sum(seen.findings.values()),
    }
