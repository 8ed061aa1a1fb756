"""How long the property tests look: enough for every push, and longer by HYPOTHESIS_PROFILE=long; in which order
processes take files; and that what runs is what stands in the sources.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

from pagereeve.app.compiled import ChangedAfterCompiling, refuse_changed

try:
    refuse_changed()
except ChangedAfterCompiling as changed:
    pytest.exit(str(changed), returncode=4)

if TYPE_CHECKING:
    from tests.longest_first import LongestFirst

# The same examples each time: what was green stays green. The long profile draws new ones.
settings.register_profile(
    "check", deadline=None, derandomize=True, max_examples=150, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", deadline=None, max_examples=5_000, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "check"))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LongestFirst | None:
    """Where whole files are given out (``--dist loadfile``)."""
    if config.getoption("dist") != "loadfile":
        return None
    from tests.longest_first import LongestFirst  # noqa: PLC0415 - only where processes share the tests

    return LongestFirst(config, log)
