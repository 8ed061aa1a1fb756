"""Every operation of the API, asked as each role by questions that schemathesis makes up from the OpenAPI document.

    python contrib/drill/api_questions.py [--examples 300] [--number 18]

So many sound and so many unsound questions of each operation, on a journal that holds something of everything
(tests/api_world.py). Exit status 1 with the first answer that the document does not have, with the request that
shows it.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.console.api.resources import changes
from tests.api_conformance import conform_all
from tests.api_world import ROLES, ApiWorld, full_journal


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--examples", type=int, default=300)
    parser.add_argument("--number", type=int, default=18, help="Chooses the questions.")
    given = parser.parse_args()
    changes.STREAM_S = 0.0  # type: ignore[misc] # it would go on without an end
    began_s = time.monotonic()
    try:
        asked = conform_all(ApiWorld.of(asyncio.run(full_journal())), given.examples, given.number)
    except Exception as failure:  # noqa: BLE001 - a group of whatever was found
        for one in getattr(failure, "exceptions", [failure]):
            print(f"FAILED: {one}")
        print(failure)
        return 1
    questions = len(asked) * len(ROLES) * given.examples * 2
    print(f"{len(asked)} operations, {questions:,} questions in {time.monotonic() - began_s:.0f} s: all as documented")
    return 0


if __name__ == "__main__":
    sys.exit(main())
