#!/usr/bin/env bash
# The tests that kill, again and again: contrib/drill/kills.sh [ROUNDS], 5 without. A journal's writer dies 8 times a round.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
for round in $(seq "${1:-5}"); do
    printf '== round %s\n' "$round"
    .venv/bin/python -m pytest -q tests/integration/test_journal_kill.py tests/integration/test_replay.py tests/acceptance/test_crash.py
done
printf 'kills: every round held\n'
