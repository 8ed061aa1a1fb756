"""Channels that stand for prints beside a total, in its place, or without one.

A counter of prints knows nothing of copies. Where it stands in the total's place, the total is shown as what the whole
meter counted, so that no page disappears.
"""

from __future__ import annotations

from typing import Final

TOTAL: Final = "total"
PRINTS: Final = "prints"
WHOLE: Final = "whole"
"""What the meter's total counts, where a counter of prints is billed in its place."""
