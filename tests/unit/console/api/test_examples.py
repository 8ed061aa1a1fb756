"""Every example of the OpenAPI document is asked, and its answer is as the document says."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import httpx2
import pytest
from jsonschema import Draft202012Validator

from pagereeve.console.api.examples import EXAMPLES, FINDING
from pagereeve.console.api.resources import changes
from tests.api_world import ApiWorld, full_journal, headers_as

DOCUMENT: Final = json.loads((Path(__file__).parents[4] / "contrib" / "openapi.json").read_bytes())


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, known in DOCUMENT["paths"].items():
        for method, operation in known.items():
            yield method, path, operation


@pytest.fixture(autouse=True)
def _ends_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "STREAM_S", 0.0)


def question(method: str, path: str, operation: dict[str, Any], finding: str) -> dict[str, Any]:
    """As its examples say it; the finding is one that there is."""
    query: dict[str, str] = {}
    headers: dict[str, str] = {}
    for one in operation.get("parameters", ()):
        if "example" in one:
            value = finding if one["example"] == FINDING else one["example"]
            if one["in"] == "path":
                path = path.replace(f"{{{one['name']}}}", quote(value, safe=""))
            (query if one["in"] == "query" else headers)[one["name"]] = str(value)
    in_path = {one["name"] for one in operation.get("parameters", ()) if one["in"] == "path"}
    asked: dict[str, Any] = {"method": method, "url": path, "params": query}
    asked["headers"] = {name: value for name, value in headers.items() if name not in in_path}
    if "requestBody" in operation:
        asked["json"] = operation["requestBody"]["content"]["application/json"]["example"]
    return asked


def validate(operation: dict[str, Any], answer: httpx2.Response) -> None:
    kind = answer.headers["content-type"].partition(";")[0]
    said = operation["responses"]["200"]["content"][kind].get("schema", {})
    if kind.endswith("json"):
        Draft202012Validator({**said, "components": DOCUMENT["components"]}).validate(answer.json())


async def test_every_example_is_answered_as_the_document_says() -> None:
    world = ApiWorld.of(await full_journal())
    transport = httpx2.ASGITransport(world.app)
    asked = set()
    decider = headers_as("decider")
    async with httpx2.AsyncClient(transport=transport, base_url="http://reeve", headers=decider) as client:
        finding = (await client.get("/v1/findings?state=open")).json()["items"][0]["id"]
        for method, path, operation in operations():
            answer = await client.request(**question(method, path, operation, finding))
            assert answer.status_code == 200, (operation["operationId"], answer.text)
            validate(operation, answer)
            asked.add(operation["operationId"])
            assert '"items":[]' not in answer.text, operation["operationId"]
    assert asked == set(EXAMPLES)
