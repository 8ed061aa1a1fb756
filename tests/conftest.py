"""How long the property tests look: enough for every push, and longer by HYPOTHESIS_PROFILE=long."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

# The same examples each time: what was green stays green. The long profile draws new ones.
settings.register_profile(
    "check", deadline=None, derandomize=True, max_examples=150, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", deadline=None, max_examples=5_000, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "check"))
