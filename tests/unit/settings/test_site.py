"""[site] and [[periods]] in a settings file, and who hears of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.cli import status_of
from pagereeve.cli.site import NO_ZONE_SET, site_of
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.settings import BadSettings, load_settings

TERM = '[[periods]]\nname = "{}"\nfrom = {}\nto = {}\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "pagereeve.toml"
    path.write_text('data_dir = "."\n' + text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(BadSettings) as caught:
        load_settings(written(folder, text), {})
    return [str(one) for one in caught.value.problems]


def test_the_settings_say_the_zone_and_an_option_wins(tmp_path: Path) -> None:
    config = written(tmp_path, '[site]\nzone = "Europe/Berlin"\n' + TERM.format("autumn", '"2026-09-07"', "2026-12-19"))
    said = site_of(config, None, None)
    assert (said.zone.key, said.zone_from, said.note()) == ("Europe/Berlin", "settings", [])
    assert said.chosen("autumn", None, None).name == "autumn"
    other = site_of(config, None, "Asia/Tokyo")
    assert (other.zone.key, other.zone_from) == ("Asia/Tokyo", "option")
    assert other.chosen("autumn", None, None).from_us < said.chosen("autumn", None, None).from_us
    with pytest.raises(BadQuestion, match="--zone"):
        site_of(config, None, "Europe/Atlantis")


def test_without_a_zone_days_begin_in_utc_and_that_is_said(tmp_path: Path) -> None:
    for site in (site_of(written(tmp_path, ""), None, None), site_of(tmp_path / "none", tmp_path, None)):
        assert (site.zone.key, site.zone_from, site.note()) == ("UTC", "default", [NO_ZONE_SET])
    assert site_of(written(tmp_path, '[site]\nzone = "UTC"\n'), None, None).note() == []


def test_what_is_wrong_with_them_is_named_with_its_place(tmp_path: Path) -> None:
    assert problems(tmp_path, '[site]\nzone = "Europe/Atlantis"\n') == [
        "site.zone: 'Europe/Atlantis' is no time zone; write Europe/Berlin or UTC"
    ]
    wrong = (
        TERM.format("a", "2026-09-07", "2026-09-07")
        + TERM.format("2026-Q4", "2026-09-07", "2026-09-08")
        + TERM.format("b", 20_000, "2026-09-07")
        + TERM.format("b", "2026-09-07T10:00:00Z", "2026-09-08")
        + '[[periods]]\nname = "c"\nfrm = 2026-09-07\nto = 2026-09-08\n'
    )
    said = problems(tmp_path, wrong)
    assert any(line.startswith("[[periods]] 'a' (line 2): to (2026-09-07) does not come after from") for line in said)
    assert any(
        line.startswith("[[periods]] '2026-Q4' (line 6): '2026-Q4' is a name of the calendar's") for line in said
    )
    assert "[[periods]] 'b' (line 10), from: is no date; write \"2026-09-07\"" in said
    assert "[[periods]] 'b' (line 14), from: is no date; write \"2026-09-07\"" in said
    assert "[[periods]] 'c' (line 18), frm: is no setting; did you mean 'from'?" in said
    assert (
        "the 4th [[periods]] ('b', line 14), name: is the same as that of the 3rd [[periods]] ('b', line 10); "
        "each needs its own"
    ) in said


def test_check_config_says_the_zone_and_which_periods_overlap(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    terms = TERM.format("autumn", "2026-09-07", "2026-12-19") + TERM.format("exams", "2026-12-01", "2027-01-01")
    assert status_of(["check-config", str(written(tmp_path, terms))]) == 0
    said = capsys.readouterr()
    assert "days begin in UTC (no [site] zone is set)" in said.out
    assert "warning: the periods autumn and exams overlap" in said.err
