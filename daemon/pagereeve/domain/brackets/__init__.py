"""From readings and releases to stretches: runs, windows, cuts, expectation, verdicts."""
