"""States of a printer's jobs, by the numbers that both doors use."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.jobs import JobState

# JmJobStateTC (RFC 2707 section 4), and job-state (RFC 8011 section 5.3.7).
STATES: Final[dict[int, JobState]] = {
    3: "pending",
    4: "held",
    5: "processing",
    6: "stopped",
    7: "cancelled",
    8: "aborted",
    9: "completed",
}
