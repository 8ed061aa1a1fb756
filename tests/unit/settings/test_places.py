"""What is wrong is said of an entry by name, or counted from 1, with file and line; never by an index from 0."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pagereeve.feeds import FEEDS
from pagereeve.receivers import RECEIVERS
from pagereeve.relay.settings_file import BadRelaySettings, load_relay_file
from pagereeve.settings import BadSettings, load_settings
from pagereeve.settings.places import Entry, Places, header_lines

LISTS = [
    "printers",
    "gateways",
    "readers",
    "relays",
    "sources",
    "http.credentials",
    "http.clients",
    "alerts.quiet",
    *(f"feeds.{kind.table}" for kind in FEEDS),
    *(f"alerts.{kind.table}" for kind in RECEIVERS),
]
INDEX = re.compile(r"\[\d+\]|\b0th\b|\.0\.")


def told(folder: Path, text: str, environment: dict[str, str] | None = None) -> list[str]:
    path = folder / "pagereeve.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadSettings) as refused:
        load_settings(path, environment or {})
    said = [str(one) for one in refused.value.problems]
    assert [one for one in said if INDEX.search(one)] == []
    return said


@pytest.mark.parametrize("table", LISTS)
def test_an_entry_is_named_or_counted_in_every_table_that_is_a_list(tmp_path: Path, table: str) -> None:
    said = told(tmp_path, f'[[{table}]]\nnme = "x"\n\n[[{table}]]\nname = "north"\nsource = "north"\ncolour = 3\n')
    assert any(one.startswith(f"the 1st [[{table}]] (line 1), nme: is no setting") for one in said)
    assert any(one.startswith(f"[[{table}]] 'north' (line 4), colour: is no setting") for one in said)


@pytest.mark.parametrize("table", LISTS)
def test_a_list_of_anything_else_is_counted_from_1(tmp_path: Path, table: str) -> None:
    above, _, name = table.rpartition(".")
    said = told(tmp_path, (f"[{above}]\n" if above else "") + f"{name} = [3, 4]\n")
    assert any(one.startswith(f"the 2nd of {table}") for one in said)


def test_settings_that_list_values_are_counted_from_1(tmp_path: Path) -> None:
    said = told(tmp_path, 'include = [7]\n[[printers]]\nname = "a"\nhost = "h"\nalso = ["b", 3]\n')
    assert {one.partition(":")[0] for one in said} == {
        "the 1st of include",
        "[[printers]] 'a' (line 2), the 2nd of also",
    }


def test_entries_of_included_files_are_counted_in_their_file(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text('[[printers]]\nhost = "192.0.2.1"\n# a note\n[[printers]]\nhost = "192.0.2.2"\n')
    (tmp_path / "b.csv").write_text('name,host,text\n"a",192.0.2.3,"two\nlines"\n,192.0.2.4,\nc,192.0.2.3,\n')
    first = 'include = ["a.toml", "b.csv"]\n[[printers]]\nname = "x"\nhost = "192.0.2.9"\n'
    said = told(tmp_path, first)
    toml, csv = tmp_path / "a.toml", tmp_path / "b.csv"
    assert f"the 2nd [[printers]] ({toml} line 4), name: is missing; it has no default" in said
    assert f"the 2nd [[printers]] ({csv} line 4), name: is missing; it has no default" in said
    shared = f"[[printers]] 'c' ({csv} line 5), host and port: are the same as those of [[printers]] 'a' ({csv} line 3)"
    assert any(one.startswith(shared) for one in said)


def test_no_line_is_told_where_it_is_not_sure(tmp_path: Path) -> None:
    text = '[log]\nformat = """\n[[printers]]\n"""\n[[printers]]\nhost = "h"\n'
    assert "the 1st [[printers]], name: is missing; it has no default" in told(tmp_path, text)
    inline = 'printers = [{ host = "h" }]\n'
    assert told(tmp_path, inline) == ["the 1st [[printers]], name: is missing; it has no default"]


def test_the_environments_entries_are_in_no_file(tmp_path: Path) -> None:
    said = told(tmp_path, '[[printers]]\nname = "a"\nhost = "h"\n', {"PAGEREEVE_PRINTERS": '[{"name": "b"}]'})
    assert said == ["[[printers]] 'b', host: is missing; it has no default"]


def test_a_name_that_is_anything_is_shown_in_quotes_and_cut() -> None:
    rows = {"printers": [{"name": "a\nb"}, {"name": "n" * 300}, {"name": 7}]}
    assert [Places(rows).entry(Entry("printers", nth)) for nth in range(3)] == [
        "[[printers]] 'a\\nb'",
        f"[[printers]] '{'n' * 64}'",
        "the 3rd [[printers]]",
    ]


def test_headers_are_found_as_toml_writes_them() -> None:
    text = '[[a]]\r\n [[ feeds . "lines" ]] # note\n#[[a]]\n[a]\n[[a]] x\n[[a]]\n'
    assert header_lines(text) == {"a": [1, 6], "feeds.lines": [2]}


def test_the_relay_names_its_relays_too(tmp_path: Path) -> None:
    path = tmp_path / "pagereeve.toml"
    path.write_text('[[relays]]\nname = "desk"\nlisten = "h"\n[[relays]]\nlisten = "h:1"\nforward_to = "h:2"\n')
    with pytest.raises(BadRelaySettings) as refused:
        load_relay_file(path, {})
    assert "[[relays]] 'desk', listen: " in str(refused.value)
    assert "the 2nd [[relays]], name: " in str(refused.value)
    assert INDEX.search(str(refused.value)) is None
