"""The committed dashboards are those that the program makes, and each panel says what it is for."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboards import make_dashboards

FOLDER = Path(__file__).parents[3] / "dashboards" / "grafana"
UIDS = {
    "fleet": "pagereeve-fleet",
    "printer": "pagereeve-printer",
    "daemon": "pagereeve-daemon",
    "month": "pagereeve-month",
}
PERSONS = re.compile(r"\b(owner|person|user|badge_number|login|job_name|release_id)\b")


def dashboard(name: str) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return made


def panels(name: str) -> Iterator[dict[str, Any]]:
    return (panel for panel in dashboard(name)["panels"] if panel["type"] != "row")


def test_what_is_committed_is_what_is_made(capsys: pytest.CaptureFixture[str]) -> None:
    assert make_dashboards.differing() == []
    assert make_dashboards.main(["--check"]) == 0
    assert make_dashboards.main(["--nonsense"]) == 2
    assert "--check" in capsys.readouterr().err


def test_a_file_that_was_edited_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(make_dashboards, "FOLDER", tmp_path / "grafana")
    assert make_dashboards.main([]) == 0
    assert make_dashboards.main(["--check"]) == 0
    fleet = tmp_path / "grafana" / "fleet.json"
    fleet.write_text(fleet.read_text(encoding="utf-8").replace("Printers", "Things"), encoding="utf-8")
    (tmp_path / "grafana" / "old.json").write_text("{}", encoding="utf-8")
    assert make_dashboards.main(["--check"]) == 1
    assert "fleet.json" in (told := capsys.readouterr().out)
    assert "old.json" in told


@pytest.mark.parametrize("name", sorted(UIDS))
def test_a_dashboard_can_be_found_again_and_asks_which_data_source(name: str) -> None:
    made = dashboard(name)
    assert made["uid"] == UIDS[name]
    variables = [one["name"] for one in made["templating"]["list"]]
    assert variables[:2] == ["source", "instance"]
    assert ("printer" in variables) == (name == "printer")
    ids = [panel["id"] for panel in made["panels"]]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("name", sorted(UIDS))
def test_every_panel_says_what_it_shows_in_which_unit_and_what_to_do(name: str) -> None:
    titles = Counter(panel["title"] for panel in panels(name))
    assert max(titles.values()) == 1
    for panel in panels(name):
        assert panel["description"].endswith("."), panel["title"]
        assert len(panel["description"]) > 30, panel["title"]
        assert panel["fieldConfig"]["defaults"]["unit"], panel["title"]
        assert panel["datasource"] == {"type": "prometheus", "uid": "${source}"}, panel["title"]
        assert panel["targets"], panel["title"]


@pytest.mark.parametrize("name", sorted(UIDS))
def test_queries_use_the_variables_and_name_nobody(name: str) -> None:
    known = {one["name"] for one in dashboard(name)["templating"]["list"]} | {"__range", "__rate_interval"}
    for panel in panels(name):
        for target in panel["targets"]:
            assert "$instance" in target["expr"] or "ALERTS" in target["expr"], panel["title"]
            assert set(re.findall(r"\$(\w+)", target["expr"])) <= known, panel["title"]
            assert PERSONS.search(target["expr"]) is None, panel["title"]


@pytest.mark.parametrize("name", sorted(UIDS))
def test_panels_do_not_lie_over_one_another(name: str) -> None:
    taken: set[tuple[int, int]] = set()
    for panel in dashboard(name)["panels"]:
        place = panel["gridPos"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert not cells & taken, panel["title"]
        assert max(x for x, _ in cells) < 24, panel["title"]
        taken |= cells
