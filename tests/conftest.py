"""How long the property tests look, and which files are begun first."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Enough for every push, and longer by HYPOTHESIS_PROFILE=long. The same examples each time: what was green stays green.
# The long profile draws new ones.
settings.register_profile(
    "check", deadline=None, derandomize=True, max_examples=150, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", deadline=None, max_examples=5_000, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "check"))

# What takes minutes is begun first, so that all workers of pytest-xdist end together. (It needs --no-loadscope-reorder:
# else files of one long test are begun last.)
BEGUN_FIRST = [
    "acceptance/test_demo.py",
    "acceptance/test_clocks.py",
    "acceptance/test_console.py",
    "integration/test_readme.py",
    "integration/test_debian_package.py",
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those named, then acceptance, whose tests are the longer ones, then all others; each in the order that it had."""
    here = Path(__file__).parent
    gone = [name for name in BEGUN_FIRST if not (here / name).exists()]
    if gone:
        raise pytest.UsageError(f"tests/conftest.py:BEGUN_FIRST names files that are not there: {gone}")

    def place(item: pytest.Item) -> tuple[int, bool]:
        name = item.path.relative_to(here).as_posix()
        first = BEGUN_FIRST.index(name) if name in BEGUN_FIRST else len(BEGUN_FIRST)
        return first, not name.startswith("acceptance/")

    items.sort(key=place)
