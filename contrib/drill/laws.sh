#!/usr/bin/env bash
# The property tests with many more examples each. Options go to pytest: contrib/drill/laws.sh -k ledger
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
export HYPOTHESIS_PROFILE=long
exec .venv/bin/python -m pytest -q -n 2 --timeout 3600 tests/property "$@"
