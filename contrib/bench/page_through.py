"""Pages through all that an API has, again and again, and writes a line for each page: ``page_through.py URL``.

A program of its own, which questions.py starts and ends; of the standard library alone, so that it starts at once.
"""

from __future__ import annotations

import json
import sys
from urllib.request import urlopen

PAGED = ("/v1/releases?limit=1000", "/v1/findings?limit=1000", "/v1/totals", "/v1/printers?limit=1000")


def main() -> None:
    [url] = sys.argv[1:]
    while True:
        for path in PAGED:
            following: str | None = path
            while following is not None:
                with urlopen(url + following, timeout=60) as answer:
                    following = json.load(answer).get("next")
                print(path, flush=True)


if __name__ == "__main__":
    main()
