"""Settings, daemon and relay: do they run, and with what?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pagereeve.domain.values.visible import visible
from pagereeve.reports.doctor.complaint import Complaint, some
from pagereeve.reports.doctor.state import InstallationState


def settings(seen: InstallationState) -> Iterator[Complaint]:
    if seen.settings:
        count = len(seen.settings)
        number = "One thing is" if count == 1 else f"{count} things are"
        yield Complaint(
            "critical",
            f"{number} wrong with the settings: {some(seen.settings, '; ')}.",
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


def relay(seen: InstallationState) -> Iterator[Complaint]:
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
            f"The relay does not listen for {some(relay.missing)}.",
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


def daemon(seen: InstallationState) -> Iterator[Complaint]:
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
            PARTS.get(part, "Read the daemon's log (journalctl -u pagereeve)."),
        )
    for about, why in seen.notices.items():
        yield Complaint(
            "warning",
            f"The daemon has a notice about {visible(str(about))}: {visible(str(why))}.",
            "What somebody wanted to change is not in force.",
            "Correct it (pagereeve check-config FILE lists all errors), then: systemctl reload pagereeve",
        )


PARTS: Final = {
    "start": "Wait a moment. If it does not become ready, read the log (journalctl -u pagereeve).",
    "journal": "If a file was moved, put it back: the daemon goes on. Else check the disk and the log, then restart.",
    "tasks": "Read what the log says of this task. If it does not recover, restart the daemon.",
    "loop": "Check whether the machine is overloaded or swaps (top, vmstat 1).",
    "disk": "Free space on the disk of the data folder.",
}


def _because(trouble: str) -> str:
    return f" ({visible(trouble)})" if trouble else ""
