"""Adds up the JUnit files of a folder in pytest's own words; a skipped test counts as one that could not run."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path


def outcome(case: ET.Element) -> str:
    """What became of one test: passed, failed, error, skipped, or xfailed."""
    for name, word in (("failure", "failed"), ("error", "error")):
        if case.find(name) is not None:
            return word
    skipped = case.find("skipped")
    if skipped is None:
        return "passed"
    return "xfailed" if skipped.get("type") == "pytest.xfail" else "skipped"


def main(folder: Path) -> int:
    """1 if a test failed, could not run, or if there was none."""
    counts: Counter[str] = Counter()
    for path in sorted(folder.glob("*.xml")):
        for case in ET.parse(path).iter("testcase"):
            counts[outcome(case)] += 1
            if outcome(case) == "skipped":
                print(f"could not run: {case.get('classname')}::{case.get('name')}")
    print(
        ", ".join(f"{counts[word]} {word}" for word in ("failed", "error", "skipped", "xfailed") if counts[word])
        or "none failed"
    )
    print(f"{counts['passed']} passed")
    return 0 if counts["passed"] and not counts["failed"] + counts["error"] + counts["skipped"] else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
