"""What the daemon stands on: its folder, disk, clock, secrets and certificates."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.visible import visible
from pagereeve.reports.doctor.complaint import NAMED_MAX, Complaint, some
from pagereeve.reports.doctor.processes import PARTS
from pagereeve.reports.doctor.state import MIB, InstallationState
from pagereeve.reports.sentences import span_text

# Whoever signs a certificate by hand needs some days for it.
EXPIRES_SOON_US: Final = 30 * 86_400 * SECOND_US
# As the feeds do with events: a source this far ahead is not believed.
AHEAD_US: Final = 120 * SECOND_US
# What the daemon does not take for a step of the clock is none here either.
STEPPED_US: Final = 2 * SECOND_US


def storage(seen: InstallationState) -> Iterator[Complaint]:
    if seen.data_dir_trouble:
        what = f"The data folder {seen.data_dir} {seen.data_dir_trouble}."
        do = (
            "It must be there and belong to the user that the daemon runs as (chown, chmod 700); ask as root or as "
            "that user."
        )
        yield Complaint("critical", what, "Nothing can be stored there.", do)
    elif seen.disk_trouble:
        why = "When it is full, the daemon stores nothing more and refuses events."
        yield Complaint(
            "critical", f"The disk of {seen.data_dir} is nearly full: {seen.disk_trouble}.", why, PARTS["disk"]
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
        fuser = shlex.join(["fuser", f"{seen.data_dir}/journal.sqlite"])
        yield Complaint(
            "warning",
            f"The journal's write-ahead file takes {seen.wal_bytes // MIB} MiB, the limit is {limit_mib}.",
            "A process reads the journal for too long, so the daemon can't truncate it; it may fill the disk.",
            f"Find that process ({fuser}) and end it; the daemon then truncates the file.",
        )


def clock(seen: InstallationState) -> Iterator[Complaint]:
    if abs(seen.ahead_us) > STEPPED_US:
        side = "ahead of" if seen.ahead_us > 0 else "behind"
        yield Complaint(
            "warning",
            f"The clock of this machine is {span_text(seen.ahead_us)} {side} the dates that facts get.",
            "The daemon dates on from where it was until somebody says that the clock is right.",
            "If the clock is right now, say so: pagereeve clock agree. If not, set it, and let NTP keep it "
            "(timedatectl set-ntp true).",
        )
    if seen.newest_us is not None and seen.newest_us > seen.now_us + AHEAD_US:
        yield Complaint(
            "critical",
            f"The clock says {seen.at(seen.wall_us)}, but the journal has a fact of {seen.at(seen.newest_us)}.",
            "The clock is wrong now, or it was when that fact was dated. Dates are provisional from there on.",
            "If it is wrong now, set it, and let NTP keep it (timedatectl set-ntp true). If it was then, stop the "
            "daemon and correct the dates, as with pagereeve clock redate --from ... --until ... --by=-2h --reason ...",
        )


def secrets(seen: InstallationState) -> Iterator[Complaint]:
    if seen.key_trouble:
        what, _, do = seen.key_trouble.partition("; ")
        yield Complaint("critical", f"The badge key {visible(what)}.", "The daemon does not start without its own.", do)
    if seen.readable:
        yield Complaint(
            "warning",
            f"Every user of this machine can read {some(seen.readable)}.",
            "With the badge key and the journal, somebody can compute badge numbers. With a token or another secret, "
            "anybody can send events in the owner's name.",
            f"chmod o= {shlex.join(seen.readable[:NAMED_MAX])}",
        )


def credentials(seen: InstallationState) -> Iterator[Complaint]:
    if seen.expired:
        several = len(seen.expired) > 1
        yield Complaint(
            "warning",
            f"{'Credentials have' if several else 'A credential has'} expired: {some(seen.expired)}.",
            "Whoever still shows one is refused.",
            "pagereeve credentials add makes another one; revoke an old one (pagereeve credentials revoke NAME), or "
            "remove it from the settings.",
        )


def certificates(seen: InstallationState) -> Iterator[Complaint]:
    for one in seen.expiries:
        left_us = one.until_us - seen.wall_us
        if left_us >= EXPIRES_SOON_US:
            continue
        when = f"{'expires' if left_us > 0 else 'expired'} at {seen.at(one.until_us)}"
        who = "Senders that check it send nothing then." if one.ours else "Clients that it signed for are then refused."
        yield Complaint(
            "critical" if one.ours and left_us <= 0 else "warning",
            f"The certificate {visible(one.subject)} in {visible(one.source)} {when}.",
            who,
            "Renew it, put the new file in its place, and reload: systemctl reload pagereeve.",
        )
