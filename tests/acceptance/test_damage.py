"""What befalls the journal's files: nothing that was acknowledged is lost, or the start is refused and says so."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "contrib" / "drill"))

import damage


@pytest.mark.parametrize("kind", damage.KINDS)
async def test_nothing_acknowledged_is_lost_in_silence(kind: str, tmp_path: Path) -> None:
    outcome = await damage.tried(kind, tmp_path)
    assert outcome.holds, str(outcome)
    assert outcome.acknowledged >= damage.POSTED
    if kind in damage.MUST_BE_REFUSED:
        assert str(tmp_path) in outcome.refused
        assert "put" in outcome.refused
