"""Printers in files of their own: TOML and CSV, read together with the settings file."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.settings import BadSettings, load_settings

ENTRY = '[[printers]]\nname = "{name}"\nhost = "192.0.2.{nth}"\n'


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def problems(path: Path) -> list[str]:
    with pytest.raises(BadSettings) as refused:
        load_settings(path, {})
    return [str(one) for one in refused.value.problems]


def test_files_are_read_in_the_order_of_their_names_behind_the_settings_file(tmp_path: Path) -> None:
    main = written(tmp_path, "pagereeve.toml", 'include = ["printers.d/*.toml"]\n' + ENTRY.format(name="first", nth=1))
    written(tmp_path, "printers.d/b.toml", ENTRY.format(name="third", nth=3))
    library = '[[gateways]]\nname = "desk"\nhost = "192.0.2.2"\n' + ENTRY.format(name="second", nth=2)
    written(tmp_path, "printers.d/a.toml", library + 'gateway = "desk"\ncommunity_file = "secrets/community"\n')
    written(tmp_path, "printers.d/notes.txt", "no settings")
    settings = load_settings(main, {})
    assert [one.name for one in settings.printers] == ["first", "second", "third"]
    assert settings.printers[1].community_file == tmp_path / "printers.d" / "secrets" / "community"
    assert [(one.name, one.host) for one in settings.gateways] == [("desk", "192.0.2.2")]


def test_a_csv_has_a_printer_a_line_and_may_make_its_gateway(tmp_path: Path) -> None:
    main = written(tmp_path, "pagereeve.toml", 'include = ["printers.csv"]\n')
    lines = [
        "name;host;port;gateway;gateway_host;serial;text",
        "library-1;192.0.2.10;1161;library;192.0.2.10;00042;by the stairs",
        "library-2;192.0.2.10;1162;library;192.0.2.10;;",
        "studio;192.0.2.11;;;;;",
    ]
    written(tmp_path, "printers.csv", "\ufeff" + "\r\n".join(lines))
    settings = load_settings(main, {})
    assert [(one.name, one.port, one.gateway, one.serial) for one in settings.printers] == [
        ("library-1", 1161, "library", "00042"),
        ("library-2", 1162, "library", ""),
        ("studio", 161, None, ""),
    ]
    assert settings.printers[0].text == "by the stairs"
    assert [(one.name, one.host) for one in settings.gateways] == [("library", "192.0.2.10")]


def test_what_is_wrong_in_any_file_is_told_at_once_with_its_file(tmp_path: Path) -> None:
    names = '["gone.toml", "bad.toml", "other.toml", "wide.csv", "two.csv"]'
    main = written(tmp_path, "pagereeve.toml", f"include = {names}\n")
    written(tmp_path, "bad.toml", "[[printers\n")
    written(tmp_path, "other.toml", "[http]\n")
    written(tmp_path, "wide.csv", "name,host,colour\n")
    written(tmp_path, "two.csv", "name,host,gateway,gateway_host\na,h,g,192.0.2.1\nb,h,g,192.0.2.2\nc,h,,192.0.2.3\n")
    told = problems(main)
    expected = (
        ("gone.toml", "can't be read"),
        ("bad.toml", "is no TOML"),
        ("other.toml: http", "can't stand in an included file"),
        ("wide.csv: line 1", "the head must name name, host, and may name port"),
        ("two.csv: line 3", "another gateway_host than line 2"),
        ("two.csv: line 4", "no gateway"),
    )
    assert [any(where in one and text in one for one in told) for where, text in expected] == [True] * len(expected)
    assert len(told) == len(expected)


def test_an_entry_of_an_included_file_is_named_like_any_other(tmp_path: Path) -> None:
    main = written(tmp_path, "pagereeve.toml", 'include = ["*.csv"]\n' + ENTRY.format(name="one", nth=1))
    written(tmp_path, "a.csv", "name,host,port,unit\none,192.0.2.9,,\ntwo,192.0.2.8,seven,pounds\n")
    told = " | ".join(problems(main))
    csv = tmp_path / "a.csv"
    assert f"[[printers]] 'two' ({csv} line 3), port: " in told
    assert f"[[printers]] 'two' ({csv} line 3), unit: " in told
    assert f"the 1st [[printers]] ('one', {csv} line 2), name: is the same as that of the 1st" in told
    assert f"of the 1st [[printers]] ('one', {main} line 2); each needs its own" in told


def test_no_file_is_needed_where_a_pattern_fits_none(tmp_path: Path) -> None:
    main = written(tmp_path, "pagereeve.toml", 'include = ["printers.d/*.toml"]\n')
    assert load_settings(main, {}).printers == ()


def test_five_thousand_printers_are_read(tmp_path: Path) -> None:
    main = written(tmp_path, "pagereeve.toml", 'include = ["all.csv"]\n')
    rows = [f"p{nth},192.0.2.{nth % 250},{1000 + nth},g{nth % 250},192.0.2.{nth % 250}" for nth in range(5_000)]
    written(tmp_path, "all.csv", "\n".join(["name,host,port,gateway,gateway_host", *rows]))
    settings = load_settings(main, {})
    assert (len(settings.printers), len(settings.gateways)) == (5_000, 250)
