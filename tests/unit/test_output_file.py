"""A file that a command writes: whole or not at all, and never in the place of what is no file."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import BinaryIO

import pytest

from pagereeve.cli.output import output_file


def test_a_link_stays_and_what_it_names_is_replaced(tmp_path: Path) -> None:
    link, real = tmp_path / "november.csv", tmp_path / "share" / "real.csv"
    real.parent.mkdir()
    real.write_text("october")
    link.symlink_to(real)
    with output_file(link) as file:
        file.write(b"november")
    assert link.is_symlink()
    assert real.read_text() == "november"
    assert {one.name for one in real.parent.iterdir()} == {"real.csv"}


def test_a_pipe_is_written_to_and_stays(tmp_path: Path) -> None:
    pipe = tmp_path / "rows.csv"
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()), daemon=True)
    reader.start()
    with output_file(pipe) as file:
        file.write(b"rows")
    reader.join(10)
    assert read == [b"rows"]
    assert pipe.is_fifo()


def test_a_device_stays_and_a_full_one_is_named() -> None:
    device = Path("/dev/full")
    with pytest.raises(OSError, match="No space left on device: '/dev/full'"), output_file(device) as file:
        file.write(b"rows")
    assert device.is_char_device()


@pytest.mark.parametrize(("name", "told"), [("folder", "is a folder; name a file"), ("none/x.csv", "No such file")])
def test_what_can_not_be_written_is_named_as_it_was_given(tmp_path: Path, name: str, told: str) -> None:
    (tmp_path / "folder").mkdir()
    began = False
    with pytest.raises(OSError, match=told) as caught, output_file(tmp_path / name):
        began = True
    assert not began
    assert caught.value.filename == str(tmp_path / name)
    assert {one.name for one in tmp_path.iterdir()} == {"folder"}


def test_a_name_may_be_as_long_as_the_system_allows(tmp_path: Path) -> None:
    path = tmp_path / ("ß" * 125 + ".csv")
    with output_file(path) as file:
        file.write(b"rows")
    assert path.read_bytes() == b"rows"


@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device"), ValueError("bad")])
def test_a_file_that_does_not_become_whole_leaves_the_old_one(tmp_path: Path, error: BaseException) -> None:
    path = tmp_path / "november.csv"
    path.write_text("october")

    def begin(file: BinaryIO) -> None:
        file.write(b"novem")
        raise error

    with pytest.raises(type(error)) as caught, output_file(path) as file:
        begin(file)
    assert path.read_text() == "october"
    assert {one.name for one in tmp_path.iterdir()} == {"november.csv"}
    if isinstance(caught.value, OSError):
        assert caught.value.filename == str(path)
