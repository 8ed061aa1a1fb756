"""Which gateway? The fleet's page answers it; links to the console are made only where there is one."""

from __future__ import annotations

import json
from typing import Any, Protocol

import pytest
from grafana_foundation_sdk.builders.dashboard import Dashboard
from grafana_foundation_sdk.cog.encoder import JSONEncoder

from dashboards import console, make_dashboards
from dashboards.fleet import fleet
from dashboards.month import month
from dashboards.printer import printer


class Maker(Protocol):
    def __call__(self, *, with_console: bool = ...) -> Dashboard: ...


MAKERS: dict[str, Maker] = {"fleet": fleet, "month": month, "printer": printer}


def made(maker: Maker, **more: bool) -> dict[str, Any]:
    dashboard: dict[str, Any] = json.loads(json.dumps(maker(**more).build(), cls=JSONEncoder))
    return dashboard


def panel(dashboard: dict[str, Any], title: str) -> dict[str, Any]:
    (one,) = [one for one in dashboard["panels"] if one["title"] == title]
    assert isinstance(one, dict)
    return one


def test_the_fleets_page_has_a_row_for_each_gateway_that_leads_to_its_printers() -> None:
    page = made(fleet)
    asked = [target["expr"] for target in panel(page, "Which gateway?")["targets"]]
    assert len(asked) == 7
    assert all("by (gateway)" in expression for expression in asked)
    shown = json.dumps(panel(page, "Which gateway?"))
    assert "var-gateway=${__data.fields.gateway}" in shown
    variables = {one["name"]: one for one in page["templating"]["list"]}
    assert variables["gateway"]["allValue"] == ".*"  # printers behind none, too


def test_each_printer_has_its_gateway_beside_it_and_the_choice_narrows_all_columns() -> None:
    table = panel(made(fleet), "Which printer can't be trusted?")
    assert all('gateway=~"$gateway"' in target["expr"] for target in table["targets"])
    tidy = next(one["options"] for one in table["transformations"] if one["id"] == "organize")
    assert tidy["renameByName"]["gateway"] == "Gateway"
    assert tidy["excludeByName"] == {"Time": True, "Value #A": True}
    assert panel(made(printer), "Gateway")["targets"][0]["legendFormat"] == "{{gateway}}"


def test_feeds_are_on_the_fleets_page() -> None:
    titles = {one["title"] for one in made(fleet)["panels"]}
    assert {"When each kind of event last came", "Feeds", "Events accepted"} <= titles


@pytest.mark.parametrize("name", sorted(MAKERS))
def test_without_a_console_no_panel_leads_to_one(name: str) -> None:
    text = json.dumps(made(MAKERS[name], with_console=False))
    assert "${console" not in text
    assert '"console"' not in text


def test_what_is_committed_leads_to_the_console() -> None:
    assert console.SERVED
    assert sum("${console" in text for text in make_dashboards.texts().values()) == len(MAKERS)


@pytest.mark.parametrize("name", sorted(MAKERS))
def test_with_a_console_there_is_its_address_and_links_into_it(name: str) -> None:
    page = made(MAKERS[name], with_console=True)
    (address,) = [one for one in page["templating"]["list"] if one["name"] == "console"]
    assert (address["type"], address["query"]) == ("textbox", "")
    urls = [one["url"] for one in page["links"] if one.get("url")]
    assert urls == [console.PRINTER_CHOSEN if name == "printer" else console.FINDINGS]
    if name != "printer":
        assert console.PRINTER_OF_ROW in json.dumps(page)
