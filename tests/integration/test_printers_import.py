"""pagereeve printers import: a list of printers becomes an included file, whole, and never at a person's cost."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from pagereeve.settings import load_settings

LIST = [
    "Gateway;Name;Host;Print port;Gateway-Host;Port;Owner;Community file",
    "north-gw;north-1;192.0.2.10;9101;192.0.2.10;1161;a room;secrets/n1",
    "north-gw;north-2;192.0.2.10;9102;192.0.2.10;1162;a room;",
    "hall-gw;hall;192.0.2.30;;;161;;",
]
SETTINGS = """include = ["printers.d/*.toml"]
[[gateways]]
name = "hall-gw"
host = "192.0.2.30"
[[printers]]
name = "by-hand"
host = "192.0.2.9"
"""


class Site:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.config, self.list, self._capsys = folder / "etc" / "pagereeve.toml", folder / "branches.csv", capsys
        self.target = folder / "etc" / "printers.d" / "branches.toml"
        self.config.parent.mkdir()
        self.config.write_text(f'data_dir = "{folder}"\n{SETTINGS}')
        self.config.chmod(0o640)
        (self.config.parent / "secrets").mkdir()
        (self.config.parent / "secrets" / "n1").write_text("invented\n")

    def run(self, lines: list[str] | None, *options: str, encoding: str = "utf-8") -> tuple[int, str]:
        if lines is not None:
            self.list.write_text("\n".join(lines), encoding=encoding)
        status = status_of(["printers", "import", str(self.list), *options, "--config", str(self.config)])
        caught = self._capsys.readouterr()
        return status, caught.out + caught.err


@pytest.fixture
def site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Site:
    return Site(tmp_path, capsys)


def test_a_list_is_shown_written_and_changes_nothing_a_second_time(site: Site) -> None:
    status, told = site.run(LIST, "--dry-run", encoding="utf-8-sig")
    assert (status, site.target.exists()) == (0, False), told
    assert "added    line 2      printer north-1" in told
    assert "added    line 2      gateway north-gw" in told
    assert "the column 'Owner'" in told
    assert "4 printers, 2 gateways" in told
    status, told = site.run(LIST)
    assert status == 0
    assert "systemctl reload pagereeve" in told
    settings = load_settings(site.config, {})
    north, hall = settings.printers[1], settings.printers[3]
    assert (north.name, north.port, north.print_port, north.gateway) == ("north-1", 1161, 9101, "north-gw")
    assert north.community_file is not None
    assert north.community_file.read_text() == "invented\n"
    assert (hall.name, hall.gateway) == ("hall", "hall-gw")
    assert {one.name: one.host for one in settings.gateways} == {"hall-gw": "192.0.2.30", "north-gw": "192.0.2.10"}
    assert stat.S_IMODE(site.target.stat().st_mode) == 0o640
    written, when = site.target.read_bytes(), site.target.stat().st_mtime_ns
    status, told = site.run(LIST)
    assert (status, site.target.read_bytes(), site.target.stat().st_mtime_ns) == (0, written, when)
    assert "same     4 entries" in told
    assert "Nothing changes." in told
    assert [path.name for path in site.target.parent.iterdir()] == ["branches.toml"]


def test_what_changes_is_shown_with_line_and_values(site: Site) -> None:
    assert site.run(LIST)[0] == 0
    status, told = site.run([*LIST[:2], LIST[2].replace("1162", "2162"), LIST[3]])
    assert status == 0
    assert "changed  line 3      printer north-2  port: 1162 -> 2162" in told
    assert "same     3 entries" in told
    assert load_settings(site.config, {}).printers[2].port == 2162


def test_what_the_list_no_longer_has_goes_only_when_it_is_said(site: Site) -> None:
    assert site.run(LIST)[0] == 0
    before = site.target.read_bytes()
    status, told = site.run(LIST[:3])
    assert (status, site.target.read_bytes()) == (2, before)
    assert "removed  in no line  printer hall" in told
    assert "--remove" in told
    assert site.run(None, "--remove")[0] == 0
    assert [one.name for one in load_settings(site.config, {}).printers] == ["by-hand", "north-1", "north-2"]


@pytest.mark.parametrize("delimiter", [";", ",", "\t"])
def test_cells_are_parted_as_the_head_does_it(site: Site, delimiter: str) -> None:
    assert site.run([one.replace(";", delimiter) for one in LIST])[0] == 0
    assert len(load_settings(site.config, {}).printers) == 4


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (["name;port", "a;1"], "line 1: the head names no column host"),
        (["name;host;host", "a;b;c"], "line 1: names the column host more than once"),
        (["name;host;community", "a;h;x"], "line 1: community is a secret"),
        (["name;host"], "names no printer"),
        (["name;host", "a;h;more"], "line 2: has 3 cells, and the head 2"),
        (["name;host;port", "a;h;many"], "[[printers]] 'a' (LIST line 2), port: input should be"),
        (["name;host", ";h"], "the 1st [[printers]] (LIST line 2), name: is missing"),
        (["name;host", "a;h", "", "a;i"], "the 2nd [[printers]] ('a', LIST line 4), name: is the same as that of"),
        (["name;host", "by-hand;h"], "is the same as that of the 1st [[printers]] ('by-hand', CONFIG line 6)"),
        (["name;host;gateway", "a;h;hal-gw"], "LIST line 2), gateway: 'hal-gw' is no gateway of [[gateways]]; did you"),
        (
            ["name;host;gateway;gateway_host", "a;h;hall-gw;192.0.2.31"],
            "line 2: gives gateway 'hall-gw' the gateway_host '192.0.2.31'; the settings have '192.0.2.30'",
        ),
        (["name;host;community_file", "a;h;secrets/gone"], "printer a: its secrets: "),
    ],
)
def test_what_is_wrong_is_said_by_line_and_name_and_nothing_is_written(site: Site, lines: list[str], told: str) -> None:
    status, said = site.run(lines)
    assert (status, site.target.exists()) == (2, False)
    assert told.replace("LIST", str(site.list)).replace("CONFIG", str(site.config)) in said


def test_what_a_person_wrote_is_never_overwritten(site: Site) -> None:
    site.target.parent.mkdir()
    site.target.write_text("# mine\n")
    status, said = site.run(LIST)
    assert (status, site.target.read_text()) == (2, "# mine\n")
    assert "was not made by an import" in said
    assert site.run(LIST, "--to", "printers.d/other.toml")[0] == 0
    edited = site.target.with_name("other.toml")
    edited.write_text(edited.read_text().replace("1162", "1163"))
    kept = edited.read_text()
    status, said = site.run(LIST, "--to", "printers.d/other.toml")
    assert (status, edited.read_text()) == (2, kept)
    assert "was edited since it was imported" in said


def test_a_file_that_the_settings_do_not_include_is_not_written(site: Site, tmp_path: Path) -> None:
    status, said = site.run(LIST, "--to", "elsewhere.toml")
    assert (status, (tmp_path / "etc" / "elsewhere.toml").exists()) == (2, False)
    assert 'include: does not name elsewhere.toml, so that the daemon would not read it; add "elsewhere.toml"' in said


def test_five_thousand_printers_are_imported_and_shown_in_short(site: Site) -> None:
    rows = [f"p{nth};192.0.2.{nth % 200};{1000 + nth}" for nth in range(5_000)]
    status, said = site.run(["name;host;port", *rows])
    assert status == 0
    assert "added    and 4950 more" in said
    assert len(said.splitlines()) < 60
    assert len(load_settings(site.config, {}).printers) == 5_001
