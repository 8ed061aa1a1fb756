"""Facts that sites forward to a centre: what a site sends, and what a centre has of each."""

from __future__ import annotations

from typing import Final

from dashboards.panels import HERE, AnyPanel, Column, Look, Query, course, or_zero, rows

HALF: Final = 12
LATE: Final = ((None, "green"), (600, "orange"), (3_600, "red"))
SOME: Final = ((None, "green"), (1, "orange"), (10_000, "red"))


def sites() -> list[AnyPanel]:
    heard, told = "pagereeve_site_last_heard_timestamp_seconds", "pagereeve_forwarding_last_success_timestamp_seconds"
    return [
        rows(
            "Sites that forward to here",
            "Behind: facts that a site sealed and that are not here. A site tells each minute while it reaches its "
            "centre. Long unheard: look at its daemon and the line. A single 0: no site forwards to here.",
            [
                Column("Behind", or_zero(f"max by (site) (pagereeve_site_behind_facts{{{HERE}}})"), Look(steps=SOME)),
                Column("Unheard for", or_zero(f"time() - max by (site) ({heard}{{{HERE}}})"), Look("s", LATE)),
                Column("Facts here", or_zero(f"max by (site) (pagereeve_site_facts{{{HERE}}})")),
            ],
            Look(span=HALF),
            key="site",
            sort="Behind",
        ),
        rows(
            "Centres that this site forwards to",
            "Behind: facts that wait in the journal here. `pagereeve doctor` says why. A single 0: none.",
            [
                Column(
                    "Behind",
                    or_zero(f"max by (centre) (pagereeve_forwarding_behind_facts{{{HERE}}})"),
                    Look(steps=SOME),
                ),
                Column("Unanswered for", or_zero(f"time() - max by (centre) ({told}{{{HERE}}})"), Look("s", LATE)),
            ],
            Look(span=HALF),
            key="centre",
            sort="Behind",
        ),
        course(
            "Batches of sites that are refused here",
            "In 15 minutes, by cause: fork, the site's journal is an older copy; gap, facts are missing between; "
            "name-taken, wrong-origin: names and credentials. contrib/docs/sites.md has what to do.",
            [
                Query(
                    or_zero(f"sum by (site, cause) (increase(pagereeve_site_refused_total{{{HERE}}}[15m]))"),
                    "{{site}} {{cause}}",
                )
            ],
            Look(span=HALF),
        ),
        course(
            "Batches that a centre did not take",
            "In 15 minutes, by cause: unreachable and busy pass by themselves, the others need somebody.",
            [
                Query(
                    or_zero(f"sum by (centre, cause) (increase(pagereeve_forwarding_refused_total{{{HERE}}}[15m]))"),
                    "{{centre}} {{cause}}",
                )
            ],
            Look(span=HALF),
        ),
    ]
