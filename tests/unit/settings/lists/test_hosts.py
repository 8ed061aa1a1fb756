"""A file of agents: what a line may be, and that everything wrong is told at once, by line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.settings import BadSettings
from pagereeve.settings.lists.hosts import AGENTS_MAX, agents_in, agents_named


def written(folder: Path, text: str) -> Path:
    path = folder / "printers.txt"
    path.write_bytes(text.encode())
    return path


def test_lines_are_hosts_with_or_without_a_port_and_comments_count_for_nothing(tmp_path: Path) -> None:
    text = "\ufeff# the library\r\n\r\n192.0.2.10\r\n  192.0.2.10:1161  # behind the gateway\n"
    text += "[2001:db8::1]:1161\nprinter.example"
    agents = agents_in(written(tmp_path, text), {"version": "1"})
    assert [(name, one.host, one.port) for name, one in agents] == [
        ("192.0.2.10", "192.0.2.10", 161),
        ("192.0.2.10:1161", "192.0.2.10", 1161),
        ("[2001:db8::1]:1161", "2001:db8::1", 1161),
        ("printer.example", "printer.example", 161),
    ]
    assert {one.version for _, one in agents} == {"1"}


def test_every_bad_and_every_repeated_line_is_told_at_once(tmp_path: Path) -> None:
    text = f"a.example\nb.example:99999\n\nA.example:161\nc d\nx\x1b[31m\n{'y' * 400}\nd.example\n"
    with pytest.raises(BadSettings) as caught:
        agents_in(written(tmp_path, text), {})
    told = [str(one) for one in caught.value.problems]
    assert [one.partition(",")[0] for one in told] == ["line 2", "line 4", "line 5", "line 6", "line 7"]
    assert "beyond 65535" in told[0]
    assert "repeats line 1" in told[1]
    assert "control character" in told[3]
    assert "\x1b" not in str(caught.value)
    assert len(str(caught.value)) < 1_500


@pytest.mark.parametrize("text", ["", "# nobody\n\n"])
def test_a_file_that_names_nobody_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(BadSettings, match="names nobody"):
        agents_in(written(tmp_path, text), {})


def test_a_file_is_bounded_and_so_is_what_is_told_of_it(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match=f"{AGENTS_MAX} at most"):
        agents_in(written(tmp_path, "".join(f"h{n}.example\n" for n in range(AGENTS_MAX + 1))), {})
    with pytest.raises(BadSettings) as caught:
        agents_in(written(tmp_path, "bad host\n" * 200), {})
    assert len(caught.value.problems) == 51
    assert "150 further" in str(caught.value)
    with pytest.raises(BadSettings, match="can't be read"):
        agents_in(tmp_path / "absent", {})


def test_places_of_a_command_line_are_judged_alike() -> None:
    assert [name for name, _ in agents_named(["a.example", "b.example:1161"], {})] == ["a.example", "b.example:1161"]
    with pytest.raises(BadSettings, match=r"host 3, 'a\.example:161': repeats host 1"):
        agents_named(["a.example", "b.example", "a.example:161"], {})
