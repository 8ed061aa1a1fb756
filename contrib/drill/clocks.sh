#!/usr/bin/env bash
# The six clock trials, again and again: contrib/drill/clocks.sh [ROUNDS], 5 without. Needs Debian's package faketime.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
for round in $(seq "${1:-5}"); do
    printf '== round %s\n' "$round"
    .venv/bin/python -m pytest -q tests/acceptance/test_clocks.py tests/unit/engine/supervision/test_clock_watch.py
done
printf 'clocks: every round held\n'
