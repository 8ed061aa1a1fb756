"""Entries to paste keep their paths as they stand in the file that holds them."""

from __future__ import annotations

from pathlib import Path

from pagereeve.settings import load_settings
from pagereeve.settings.as_written import paths_as_written


def test_paths_are_told_as_each_file_has_them_with_what_they_mean(tmp_path: Path) -> None:
    config = tmp_path / "pagereeve.toml"
    config.write_text(
        'include = ["d/*"]\n[[printers]]\nname = "a"\nhost = "h1"\ncommunity_file = "secrets/a"\n'
        '[[printers]]\nname = "b"\nhost = "h2"\ncommunity_file = "/etc/b"\n[[printers]]\nname = "e"\nhost = "h5"\n'
    )
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "c.toml").write_text('[[printers]]\nname = "c"\nhost = "h3"\ncommunity_file = "../secrets/c"\n')
    (tmp_path / "d" / "d.csv").write_text("name,host,community_file\nd,h4,secrets/d\n")
    written = paths_as_written(config)
    assert {name: one.get("community_file", (None, ""))[1] for name, one in written.items()} == {
        "a": "secrets/a",
        "b": "/etc/b",
        "c": "../secrets/c",
        "d": "secrets/d",
        "e": "",
    }
    meant = {one.name: one.community_file for one in load_settings(config, {}).printers}
    assert {name: one.get("community_file", (None, ""))[0] for name, one in written.items()} == meant


def test_without_a_file_nothing_is_told(tmp_path: Path) -> None:
    assert paths_as_written(tmp_path / "gone.toml") == {}
