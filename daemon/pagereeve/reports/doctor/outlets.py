"""What people should look at or hear of: findings, and receivers that accept nothing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pagereeve.domain.alerts.alert import UNIT_ASSUMED
from pagereeve.domain.ledger import SEVERITIES
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.visible import visible
from pagereeve.reports.doctor.complaint import Complaint, some
from pagereeve.reports.doctor.state import InstallationState

# Messages are sent again for a while; after this long nobody receives them.
UNDELIVERED_AFTER_US: Final = 300 * SECOND_US


def receivers(seen: InstallationState) -> Iterator[Complaint]:
    for name, since_us in sorted(seen.waiting_us.items()):
        if since_us < seen.now_us - UNDELIVERED_AFTER_US:
            yield Complaint(
                "critical",
                f"The receiver {visible(name)} has not accepted a message since {seen.at(since_us)}.",
                "Nobody receives alerts there.",
                "Read in the log why it refuses, and check whether this machine can reach it.",
            )


def findings(seen: InstallationState) -> Iterator[Complaint]:
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
        f"{some([f'{number} {kind}' for (_, kind), number in by_weight])}.",
        "A person should check each finding.",
        "pagereeve findings lists them with evidence; pagereeve findings explain records the cause of one.",
    )
