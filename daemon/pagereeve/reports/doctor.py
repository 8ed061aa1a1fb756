"""What is wrong with an installation, why it matters and what to do: from plain figures to a page, the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.alerts.alert import UNIT_ASSUMED
from pagereeve.domain.ledger import SEVERITIES, Severity
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.installation import SilentPrinter
from pagereeve.queries.units import UnitStanding, assumed_by_model, model_offers
from pagereeve.reports.units import offer_lines

MIB: Final = 2**20
NAMED_MAX: Final = 5
# A printer may be off over a weekend; beyond a day somebody should know that it is.
SILENT_AFTER_US: Final = 86_400 * SECOND_US
# A lost datagram or two are no news, minutes without an answer are: it may be asleep, and it may be cut off.
FAILING_AFTER_US: Final = 120 * SECOND_US
# Messages are sent again for a while; after this long nobody receives them.
UNDELIVERED_AFTER_US: Final = 300 * SECOND_US
# Whoever signs a certificate by hand needs some days for it.
EXPIRES_SOON_US: Final = 30 * 86_400 * SECOND_US
# As the feeds do with events: a source this far ahead is not believed.
AHEAD_US: Final = 120 * SECOND_US


@dataclass(frozen=True, slots=True)
class Complaint:
    severity: Severity
    what: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class RelayState:
    """The relay that the settings name. ``trouble`` is empty where it answered at its local socket.

    ``held`` lines wait for a daemon, ``taken`` says whether one takes them; relays that are ``missing`` do not listen.
    """

    socket: str
    trouble: str = ""
    held: int = 0
    taken: bool = True
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CertificateExpiry:
    """A certificate in the file ``source``; ``ours`` is one that we show, others are of clients' authorities."""

    source: str
    subject: str
    until_us: int
    ours: bool


@dataclass(frozen=True, slots=True)
class InstallationState:
    """What was found. ``not_ready`` is None where no daemon answered; texts are empty where nothing is wrong.

    ``findings`` are open ones by (severity, kind). ``waiting_us`` is, by receiver, since when its oldest message waits.
    ``readable`` are files that everybody on the machine may read, and shouldn't. Sizes in bytes; None: no such file.
    ``expired`` are names of credentials.
    """

    now_us: int
    listen: str
    data_dir: str
    settings: tuple[str, ...] = ()
    data_dir_trouble: str = ""
    network_trouble: str = ""
    disk_trouble: str = ""
    disk_free_bytes: int | None = None
    not_ready: Mapping[str, str] | None = None
    notices: Mapping[str, str] = field(default_factory=dict)
    daemon_trouble: str = ""
    journal_trouble: str = ""
    journal_bytes: int | None = None
    wal_bytes: int = 0
    wal_limit_bytes: int = 64 * MIB
    newest_us: int | None = None
    findings: Mapping[tuple[Severity, str], int] = field(default_factory=dict)
    printers: int = 0
    quiet: tuple[SilentPrinter, ...] = ()
    gateways_down: tuple[str, ...] = ()
    waiting_us: Mapping[str, int] = field(default_factory=dict)
    readable: tuple[str, ...] = ()
    key_trouble: str = ""
    expired: tuple[str, ...] = ()
    relay: RelayState | None = None
    expiries: tuple[CertificateExpiry, ...] = ()
    units: tuple[UnitStanding, ...] = ()


def complaints_of(seen: InstallationState) -> list[Complaint]:
    """The worst first; empty where nothing is wrong."""
    found = [
        *_settings(seen),
        *_relay(seen),
        *_daemon(seen),
        *_storage(seen),
        *_clock(seen),
        *_secrets(seen),
        *_credentials(seen),
        *_certificates(seen),
        *_receivers(seen),
        *_gateways(seen),
        *_printers(seen),
        *_units(seen),
        *_by_ipp(seen),
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


def _relay(seen: InstallationState) -> Iterator[Complaint]:
    relay = seen.relay
    if relay is None:
        return
    if relay.trouble:
        yield Complaint(
            "critical",
            f"No relay answers at {relay.socket} ({visible(relay.trouble)}).",
            "If it does not run, no badge line reaches the release server, and people can't print.",
            "Start it (systemctl start pagereeve-relay), or see in its log why it ended.",
        )
        return
    if relay.missing:
        yield Complaint(
            "critical",
            f"The relay does not listen for {_some(relay.missing)}.",
            "Badge lines of these gateways reach neither the release server nor the daemon.",
            "Read in its log whether their addresses are taken; after a change of [[relays]], restart it.",
        )
    if seen.not_ready is not None and not relay.taken:
        yield Complaint(
            "warning",
            f"The daemon does not take the relay's lines; {relay.held} wait.",
            "They reach the release server, but no badge is recorded.",
            "Check that both read the same settings and run as the same user; the daemon's log says why.",
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
    for about, why in seen.notices.items():
        yield Complaint(
            "warning",
            f"The daemon has a notice about {visible(str(about))}: {visible(str(why))}.",
            "What somebody wanted to change is not in force.",
            "Correct it (pagereeve check-config FILE lists all errors), then: systemctl reload pagereeve",
        )


_PARTS: Final = {
    "start": "Wait a moment. If it does not become ready, read the log (journalctl -u pagereeve).",
    "journal": "If a file was moved, put it back: the daemon goes on. Else check the disk and the log, then restart.",
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
    if seen.network_trouble:
        yield Complaint(
            "warning",
            f"The data folder {seen.data_dir}: {seen.network_trouble}.",
            "Its locks and its shared memory hold on one machine only: the journal may be damaged.",
            "Stop the daemon, and move the folder to a disk of this machine (data_dir).",
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
    if seen.key_trouble:
        what, _, do = seen.key_trouble.partition("; ")
        yield Complaint("critical", f"The badge key {visible(what)}.", "The daemon does not start without its own.", do)
    if seen.readable:
        yield Complaint(
            "warning",
            f"Every user of this machine can read {_some(seen.readable)}.",
            "With the badge key and the journal, somebody can compute badge numbers. With a token or another secret, "
            "anybody can send events in the owner's name.",
            f"chmod o= {' '.join(seen.readable[:NAMED_MAX])}",
        )


def _credentials(seen: InstallationState) -> Iterator[Complaint]:
    if seen.expired:
        several = len(seen.expired) > 1
        yield Complaint(
            "warning",
            f"{'Credentials have' if several else 'A credential has'} expired: {_some(seen.expired)}.",
            "Whoever still shows one is refused.",
            "pagereeve credentials add makes another one; revoke an old one (pagereeve credentials revoke NAME), or "
            "remove it from the settings.",
        )


def _certificates(seen: InstallationState) -> Iterator[Complaint]:
    for one in seen.expiries:
        left_us = one.until_us - seen.now_us
        if left_us >= EXPIRES_SOON_US:
            continue
        when = f"{'expires' if left_us > 0 else 'expired'} at {to_text(one.until_us)}"
        who = "Senders that check it send nothing then." if one.ours else "Clients that it signed for are then refused."
        yield Complaint(
            "critical" if one.ours and left_us <= 0 else "warning",
            f"The certificate {visible(one.subject)} in {visible(one.source)} {when}.",
            who,
            "Renew it, put the new file in its place, and reload: systemctl reload pagereeve.",
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


def _gateways(seen: InstallationState) -> Iterator[Complaint]:
    """One that is down is told, and not each printer behind it."""
    if not seen.gateways_down:
        return
    names = _some(seen.gateways_down)
    gateways = f"Gateway {names} does" if len(seen.gateways_down) == 1 else f"Gateways {names} do"
    behind = [one.printer for one in seen.quiet if one.gateway == "down"]
    yield Complaint(
        "critical",
        f"{gateways} not answer" + (f"; behind: {_some(behind)}." if behind else "."),
        "Nobody can release anything there, and no meter behind is read.",
        "Look at the gateway: its power, its cable, its switch port.",
    )


def _printers(seen: InstallationState) -> Iterator[Complaint]:
    """A printer is named once. One that answers too late needs another setting, one that is silent a look at it."""
    do = "pagereeve prove NAME shows, stage by stage, where reading the printer fails."
    quiet = [one for one in seen.quiet if one.gateway != "down" or not seen.gateways_down]
    never = [one for one in quiet if one.since_us is None and not one.late]
    late = [one for one in quiet if one.late]
    told = [one for one in quiet if one not in never and one not in late]
    long = [one for one in told if one.since_us is not None and one.since_us < seen.now_us - SILENT_AFTER_US]
    stopped = [one for one in told if one not in long and _fails_for_minutes(one, seen.now_us)]
    if never:
        what = f"{_printers_have(never)} never sent a reading: {_some([_quiet(one) for one in never])}."
        yield Complaint("warning", what, "Their releases can't be compared with a meter.", do)
    if late:
        what = f"{_printers_have(late)} answered too late to be read: {_some([_quiet(one) for one in late])}."
        slow = "Lengthen read_timeout under [watch], or look at the network to them: the log says how late they are."
        yield Complaint("warning", what, "Their pages are not counted, though they work.", slow)
    why = "If they are not switched off or asleep, their pages are not counted."
    if long:
        what = f"{_printers_have(long)} sent no reading for more than a day: {_some([_quiet(one) for one in long])}."
        yield Complaint("warning", what, why, do)
    if stopped:
        what = f"{_printers_have(stopped)} stopped answering: {_some([_quiet(one) for one in stopped])}."
        yield Complaint("info", what, why, do)


def _fails_for_minutes(one: SilentPrinter, now_us: int) -> bool:
    return one.failing_us is not None and one.failing_us < now_us - FAILING_AFTER_US


def _printers_have(quiet: Sequence[SilentPrinter]) -> str:
    return "One printer has" if len(quiet) == 1 else f"{len(quiet)} printers have"


def _quiet(one: SilentPrinter) -> str:
    last = "" if one.since_us is None else f"last {to_text(one.since_us)[:16]}Z"
    gateway = "its gateway answers" if one.gateway == "answers" else ""
    details = [text for text in (one.reason, last, gateway) if text]
    return f"{one.printer} ({', '.join(details)})" if details else one.printer


def _units(seen: InstallationState) -> Iterator[Complaint]:
    """Of a fleet it is one thing to know, and an alarm of none of them."""
    models = assumed_by_model(seen.units)
    if not models:
        return
    names = [name for printers in models.values() for name in printers]
    of_models = _some([f"{len(printers)} of {model or 'an unknown model'}" for model, printers in models.items()])
    offers = offer_lines(model_offers(seen.units))
    prove = "Two two-sided releases of four pages teach it; pagereeve prove NAME --print proves it for one of a model."
    yield Complaint(
        "info",
        f"{'One printer runs' if len(names) == 1 else f'{len(names)} printers run'} on an assumed unit: {of_models} "
        f"({_some(names)}).",
        "Two-sided releases there agree with more than one count, and are charged only if charging_needs allows it.",
        " ".join([f"{one}." for one in offers] or [prove]),
    )


def _by_ipp(seen: InstallationState) -> Iterator[Complaint]:
    names = [one.printer for one in seen.units if one.by_ipp]
    if names:
        yield Complaint(
            "info",
            f"{'One printer is' if len(names) == 1 else f'{len(names)} printers are'} counted by IPP ({_some(names)}).",
            "What comes to the printer otherwise (copies, other print ports) may be missing in that count.",
            "pagereeve prove NAME --print shows whether it counts what your release server prints.",
        )


def _findings(seen: InstallationState) -> Iterator[Complaint]:
    # An assumed unit was told of above, once for all printers.
    told = {key: number for key, number in seen.findings.items() if key[1] != UNIT_ASSUMED}
    if not told:
        return
    busy = seen.findings.get(("warning", "state-not-believed"), 0)
    if busy:
        printers = "One printer says" if busy == 1 else f"{busy} printers say"
        yield Complaint(
            "warning",
            f"{printers} that it prints or warms up, while its count has come to rest.",
            "Releases there wait longer for their verdicts, and are judged by the count alone.",
            "Restart the printer or its network card; pagereeve findings names it. If it stays so, update it.",
        )
    by_weight = sorted(told.items(), key=lambda one: (SEVERITIES.index(one[0][0]), -one[1], one[0][1]))
    (worst, _), _ = by_weight[0]
    count = sum(told.values())
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
    relay = "" if seen.relay is None else f"the relay at {seen.relay.socket}, "
    return (
        f"the settings, {relay}the daemon at {seen.listen}, the journal in {seen.data_dir} ({size}, write-ahead file "
        f"{seen.wal_bytes / MIB:.1f} MiB{free}), {printers}, findings, receivers, secrets, the clock"
    )


def doctor_json(seen: InstallationState, complaints: Sequence[Complaint]) -> dict[str, Any]:
    return {
        "at": to_text(seen.now_us),
        "complaints": [
            {"severity": one.severity, "what": one.what, "why": one.why, "do": one.do} for one in complaints
        ],
        "relay": None
        if seen.relay is None
        else {"answers": not seen.relay.trouble, "held": seen.relay.held, "taken": seen.relay.taken},
        "daemon": {"answers": seen.not_ready is not None, "not_ready": dict(seen.not_ready or {})},
        "journal_bytes": seen.journal_bytes,
        "wal_bytes": seen.wal_bytes,
        "disk_free_bytes": seen.disk_free_bytes,
        "printers": seen.printers,
        "open_findings": sum(seen.findings.values()),
    }
