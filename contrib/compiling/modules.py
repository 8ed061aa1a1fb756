"""Which modules are compiled."""

from __future__ import annotations

from pathlib import Path
from typing import Final

# Below daemon/. Pure computation, fully typed: it takes most of the time of a projection.
PACKAGES: Final = ("pagereeve/domain",)
# Modules of these that stay plain Python, each with its reason.
LEFT_OUT: Final = {
    "pagereeve/domain/facts/policy.py": "schemas take its members' words from its docstring; compiled, it has none",
    "pagereeve/domain/values/bad_question.py": "others make kinds of it, which compiled code would refuse",
    "pagereeve/domain/values/errors.py": "others make kinds of them, which compiled code would refuse",
    "pagereeve/domain/values/records.py": "mypy, and so the compiler, reads the half of it that does not run",
}
# gcc's -O: 3 takes two thirds longer than 1.
OPTIMIZED: Final = "1"


def sources(daemon: Path) -> list[str]:
    """All modules of the packages, below ``daemon``: a change of any may change what is compiled."""
    return sorted(path.relative_to(daemon).as_posix() for name in PACKAGES for path in (daemon / name).rglob("*.py"))


def compiled_sources(daemon: Path) -> list[str]:
    """What makes a folder a package has nothing in it that could run faster."""
    return [name for name in sources(daemon) if name not in LEFT_OUT and not name.endswith("/__init__.py")]
