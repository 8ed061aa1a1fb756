"""Adds up the JUnit files of a folder in pytest's own words; a skipped test counts as one that could not run.

A test that failed and was run again alone (NAME.again.xml) counts as what became of it then, and is named.

    count_tests.py FOLDER
    count_tests.py --failed FILE    only prints how many failed
"""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path

AGAIN = ".again.xml"


def outcome(case: ET.Element) -> str:
    """What became of one test: passed, failed, error, skipped, or xfailed."""
    for name, word in (("failure", "failed"), ("error", "error")):
        if case.find(name) is not None:
            return word
    skipped = case.find("skipped")
    if skipped is None:
        return "passed"
    return "xfailed" if skipped.get("type") == "pytest.xfail" else "skipped"


def outcomes(path: Path) -> dict[str, str]:
    """By test; of one that passed and whose end then failed, the failure."""
    known: dict[str, str] = {}
    for case in ET.parse(path).iter("testcase"):
        name = f"{case.get('classname')}::{case.get('name')}"
        if known.get(name, "passed") == "passed":
            known[name] = outcome(case)
    return known


def failed(known: dict[str, str]) -> list[str]:
    return [name for name, word in known.items() if word in {"failed", "error"}]


def main(folder: Path) -> int:
    """1 if a test failed, could not run, or if there was none."""
    counts: Counter[str] = Counter()
    for path in sorted(one for one in folder.glob("*.xml") if not one.name.endswith(AGAIN)):
        known = outcomes(path)
        second = path.with_name(path.name.removesuffix(".xml") + AGAIN)
        again = outcomes(second) if second.exists() else {}
        for name in failed(known):
            if again.get(name) == "passed":
                print(f"passed only when run again, alone: {name}")
        known |= again
        counts.update(known.values())
        for name, word in known.items():
            if word == "skipped":
                print(f"could not run: {name}")
    print(
        ", ".join(f"{counts[word]} {word}" for word in ("failed", "error", "skipped", "xfailed") if counts[word])
        or "none failed"
    )
    print(f"{counts['passed']} passed")
    return 0 if counts["passed"] and not counts["failed"] + counts["error"] + counts["skipped"] else 1


if __name__ == "__main__":
    if sys.argv[1] == "--failed":
        print(len(failed(outcomes(Path(sys.argv[2])))))
        sys.exit(0)
    sys.exit(main(Path(sys.argv[1])))
