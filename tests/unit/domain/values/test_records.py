"""Values of which there are many are cheap to make; in Python's development mode they are frozen."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

from pagereeve.domain.facts.reading import Count, Unit

CHANGE = """
from dataclasses import FrozenInstanceError
from pagereeve.domain.facts.reading import Count, Unit
count = Count(1, Unit.SHEETS)
try:
    count.value = 2
except FrozenInstanceError:
    print("frozen")
"""


def test_it_is_compared_hashed_and_replaced_by_its_members() -> None:
    count = Count(1, Unit.SHEETS)
    assert count == Count(1, Unit.SHEETS) != replace(count, value=2)
    assert hash(count) == hash(Count(1, Unit.SHEETS))
    assert not hasattr(count, "__dict__")


def test_it_is_frozen_in_development_mode() -> None:
    tried = subprocess.run([sys.executable, "-X", "dev", "-c", CHANGE], capture_output=True, text=True, check=True)
    assert tried.stdout == "frozen\n"
