"""What contrib/check installs: what tests need, with a reason, and nothing else."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[3]
CHECK = (ROOT / "contrib" / "check").read_text(encoding="utf-8")
ROWS = [line.split(" ", 2) for line in re.findall(r'(?s)NEEDED="\n(.*?)"\n', CHECK)[0].splitlines()]
TESTS = {path: path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py") if path != Path(__file__)}
# A system of Debian is none without these.
ESSENTIAL = {"dpkg"}


def test_every_program_that_a_test_asks_for_is_in_a_package_that_is_installed() -> None:
    asked = {found for text in TESTS.values() for found in re.findall(r'\btool\(\s*"[^"]+", "([a-z0-9-]+)"', text)}
    assert len(asked) > 5
    assert asked - ESSENTIAL - {package for _, package, _ in ROWS} == set()


def test_every_package_has_a_reason_and_something_that_calls_it() -> None:
    assert sorted(ROWS) == ROWS
    scripts = [
        (ROOT / "contrib" / name).read_text(encoding="utf-8")
        for name in ("overlay", "debian/build", "debian/trial", "pagereeve.service")
    ]
    texts = "\n".join([*TESTS.values(), *scripts])
    assert [program for program, _, reason in ROWS if len(reason.split()) < 3 or program not in texts] == []


def asked_of_apt(folder: Path, *needed: str, root: bool = True) -> tuple[int, str, str]:
    """need_packages with an apt-get of ours: its exit status, what it says, what apt-get was asked."""
    asked = folder / "asked"
    asked.touch()
    apt = folder / "apt-get"
    apt.write_text(f'#!/bin/sh\necho "$*" >> {asked}\n', encoding="utf-8")
    apt.chmod(0o755)
    environment = (ROOT / "contrib" / "environment.sh").read_text(encoding="utf-8")
    function = re.findall(r"(?ms)^(?:say\(\) [^\n]*\n|(?:fail|need_packages)\(\) \{\n.*?^\}\n)", environment)
    assert len(function) == 3
    text = "".join(function).replace("$EUID", "0" if root else "1000")
    done = subprocess.run(
        ["bash", "-c", f'{text}need_packages "$@"', "check", *needed],
        env={"PATH": f"{folder}:/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
        timeout=10,
    )
    return done.returncode, done.stderr, asked.read_text(encoding="utf-8")


def test_what_is_installed_is_said_first_with_its_reason(tmp_path: Path) -> None:
    status, said, asked = asked_of_apt(tmp_path, "snmpd: snmpd, an agent", "man-db: man, reads it")
    assert (status, said) == (0, "installing Debian packages:\n  snmpd: snmpd, an agent\n  man-db: man, reads it\n")
    assert asked.splitlines() == ["update -qq", "install -y -qq --no-install-recommends snmpd man-db"]


def test_who_is_not_root_is_told_what_is_missing(tmp_path: Path) -> None:
    status, said, asked = asked_of_apt(tmp_path, "snmpd: snmpd, an agent", "man-db: man, reads it", root=False)
    assert (status, asked) == (1, "")
    assert said == "check: these packages are missing, and only root can install them: snmpd man-db\n"
