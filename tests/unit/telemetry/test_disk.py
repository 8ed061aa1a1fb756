"""How much of a disk must be free, and a folder that can't be asked."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.ports.telemetry import DiskTelemetry
from pagereeve.telemetry.disk import LEAST_FREE_BYTES, MIB, disk_of, disk_trouble


@pytest.mark.parametrize(
    ("free_mib", "size_mib", "enough"),
    [(63, 1_000, False), (64, 1_000, True), (99, 10_000, False), (100, 10_000, True), (1_024, 10**7, True)],
)
def test_64_mib_or_a_hundredth_must_be_free_and_of_a_large_disk_one_gib(
    free_mib: int, size_mib: int, enough: bool
) -> None:
    assert LEAST_FREE_BYTES == 64 * MIB
    assert (disk_trouble(DiskTelemetry(free_mib * MIB, size_mib * MIB)) == "") == enough


def test_a_disk_that_cannot_be_asked_is_a_trouble() -> None:
    assert disk_trouble(None)


def test_a_folder_is_asked_for_its_disk_and_one_that_is_gone_is_none(tmp_path: Path) -> None:
    disk = disk_of(tmp_path)
    assert disk is not None
    assert 0 < disk.free_bytes <= disk.size_bytes
    assert disk_of(tmp_path / "gone") is None
