"""What an operator should know before it is too late: room, backups, clock, settings that wait, proofs, receivers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.reports.doctor.complaint import Complaint, some
from pagereeve.reports.doctor.state import InstallationState, day_size

DAY_US: Final = 86_400 * SECOND_US
# Time to have a larger disk bought, and time to have one that is there put in; our choice.
LASTS_LEAST_DAYS: Final = 90.0
LASTS_HARDLY_DAYS: Final = 30.0
# A weekly backup that was missed once; our choice.
BACKUP_OLD_US: Final = 8 * DAY_US
# A journal of the first day is a trial.
BACKUP_WANTED_AFTER_US: Final = DAY_US


def disk_room(seen: InstallationState) -> Iterator[Complaint]:
    """Where too little is free already, that is said, and not how long it lasts."""
    days = seen.disk_lasts_days
    if days is None or seen.disk_trouble or days >= LASTS_LEAST_DAYS:
        return
    left = "less than a day" if days < 1 else "one day" if days < 2 else f"{int(days)} days"
    yield Complaint(
        "critical" if days < LASTS_HARDLY_DAYS else "warning",
        f"The disk of {seen.data_dir} is full in {left} ({seen.at(_full_us(seen, days))[:10]}), if the journal goes on "
        f"growing by {day_size(seen)} a day.",
        "When it is full, the daemon stores nothing more and refuses events.",
        "Free space on that disk, or move the data folder to a larger one (data_dir, with the daemon stopped).",
    )


def _full_us(seen: InstallationState, days: float) -> int:
    return seen.now_us + int(days * DAY_US)


def backup(seen: InstallationState) -> Iterator[Complaint]:
    do = "pagereeve backup FILE copies it beside the running daemon; have a timer do it, and keep the file elsewhere."
    if seen.backup_us is not None and seen.backup_us < seen.wall_us - BACKUP_OLD_US:
        days = (seen.wall_us - seen.backup_us) // DAY_US
        yield Complaint(
            "warning",
            f"The last backup is {days} days old ({seen.at(seen.backup_us)}).",
            "If the disk fails, everything since then is lost.",
            do,
        )
    old = seen.oldest_us is not None and seen.oldest_us < seen.now_us - BACKUP_WANTED_AFTER_US
    if seen.backup_us is None and old:
        yield Complaint(
            "info",
            "No backup of the journal is known of.",
            "If the disk fails, all that was charged is lost. Copies made by other programs are not known here.",
            do,
            advice=True,
        )


def archives(seen: InstallationState) -> Iterator[Complaint]:
    """Files with readings that left the journal."""
    for state, what in (("missing", "not in the folder of archives"), ("differs", "not what was archived")):
        names = [name for name, found in seen.archives if found == state]
        if names:
            yield Complaint(
                "warning",
                f"{amount(len(names), 'archive')} {form(len(names), 'is', 'are')} {what}: {some(names)}.",
                "Evidence of those periods can't be shown, and late notices that reach back so far are not projected.",
                f"Put whole copies into {seen.data_dir}/archives; pagereeve verify says what is proven in them.",
            )


def clock_kept(seen: InstallationState) -> Iterator[Complaint]:
    if seen.clock_kept:
        return
    if seen.clock_kept is None:
        what = "Whether somebody keeps this machine's clock can't be known here: the kernel may not be asked."
        do = "Look on the machine itself (timedatectl); in a container the host keeps the clock."
    else:
        what = "Nobody keeps this machine's clock: the kernel says that it is not synchronised."
        do = "Let NTP keep it (timedatectl set-ntp true)."
    why = "A clock that drifts dates badges and releases wrongly, and senders' times are then doubted."
    yield Complaint("info", what, why, do, advice=True)


def unjudged_settings(seen: InstallationState) -> Iterator[Complaint]:
    """Of a daemon that was killed while a page added printers."""
    if seen.unjudged:
        yield Complaint(
            "warning",
            f"A page wrote {seen.unjudged}, and the daemon ended before it had judged it.",
            "Whoever added it saw no answer. A start reads it as it is.",
            "Look at it, and remove it if it is not wanted; pagereeve check-config FILE checks all of the settings.",
        )


def waiting_settings(seen: InstallationState) -> Iterator[Complaint]:
    """Only of a daemon that runs: one that is started reads all of them."""
    if seen.not_ready is None:
        return
    if seen.by_reload or seen.newer_files:
        what = some([*seen.by_reload, *seen.newer_files])
        yield Complaint(
            "warning",
            f"The daemon does not run with the present settings: {what}.",
            "What was changed there is not in force. A variable of the daemon's environment looks the same from here.",
            "systemctl reload pagereeve puts it in force; pagereeve check-config FILE checks it first.",
        )
    if seen.by_restart:
        yield Complaint(
            "warning",
            f"Settings were changed that need a restart: {some(seen.by_restart)}.",
            "The daemon runs with those of before, and refuses a reload until then.",
            "systemctl restart pagereeve; printing goes on meanwhile.",
        )


def expiring_credentials(seen: InstallationState) -> Iterator[Complaint]:
    if not seen.expiring:
        return
    names = [f"{name} ({seen.at(until_us)[:10]})" for name, until_us in seen.expiring]
    number = "One credential expires" if len(names) == 1 else f"{len(names)} credentials expire"
    yield Complaint(
        "warning",
        f"{number} within 30 days: {some(names)}.",
        "Whoever shows one then is refused.",
        "pagereeve credentials add makes another one; give it to its holder before that day.",
    )


def no_receiver(seen: InstallationState) -> Iterator[Complaint]:
    if not seen.has_receivers:
        yield Complaint(
            "info",
            "No receiver of alerts is configured.",
            "Nobody hears of a finding unless they look.",
            "Add one under [alerts] (pagereeve docs alerts), then: pagereeve alerts try NAME",
            advice=True,
        )


def never_proven(seen: InstallationState) -> Iterator[Complaint]:
    if not seen.never_proven:
        return
    count = len(seen.never_proven)
    number = "One printer was" if count == 1 else f"{count} printers were"
    yield Complaint(
        "info",
        f"{number} never proven: {some(seen.never_proven)}.",
        "Whether the meter counts sides, sheets or blank backs is then not known of them.",
        "pagereeve prove NAME --print proves one; pagereeve printers check lists all.",
        advice=True,
    )


def silent_feeds(seen: InstallationState) -> Iterator[Complaint]:
    if not seen.silent_feeds:
        return
    names = [f"{one.feed} (since {seen.at(one.since_us)})" for one in seen.silent_feeds]
    number = "One feed is" if len(names) == 1 else f"{len(names)} feeds are"
    yield Complaint(
        "critical",
        f"{number} silent: {some(names)}.",
        "Its badges or releases do not reach the daemon, though others show that people print.",
        "Check the release server's notices and the gateway's badge line; pagereeve findings has the evidence.",
    )


def titles(seen: InstallationState) -> Iterator[Complaint]:
    if seen.title_us is not None:
        yield Complaint(
            "warning",
            f"Titles of jobs are kept longer than [privacy] keep_titles_for says: one is of {seen.at(seen.title_us)}.",
            "They say much about people, and somebody was promised that they go.",
            "Let the daemon run, which deletes them each hour; or stop it and run: pagereeve erase-titles",
        )
    elif seen.titles_for_good:
        yield Complaint(
            "info",
            "Titles of jobs are kept for good.",
            "They say much about people; nothing ends that but pagereeve erase, a person at a time.",
            'Set [privacy] keep_titles_for to the time for which they are needed, as "30d".',
            advice=True,
        )
