"""The OpenAPI document: the committed one is what is served and printed, and schemas are served beside it."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pagereeve.cli import status_of
from pagereeve.settings.schema.listing import MEDIA_TYPE, SCHEMAS
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import EXAMPLE, asking

COMMITTED = Path(__file__).parents[4] / "contrib" / "openapi.json"
REMAKE = "make it anew: pagereeve schema openapi >contrib/openapi.json"


def operations(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [operation for path in document["paths"].values() for operation in path.values()]


def test_the_committed_document_is_what_the_command_prints(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["schema", "openapi"]) == 0
    assert capsysbinary.readouterr().out == COMMITTED.read_bytes(), REMAKE


async def test_the_committed_document_is_what_is_served() -> None:
    async with asking(MemoryJournal()) as client:
        served = await client.get("/v1/openapi.json")
    assert served.json() == json.loads(COMMITTED.read_bytes()), REMAKE


def test_each_operation_has_a_name_and_words() -> None:
    known = operations(json.loads(COMMITTED.read_bytes()))
    assert len(known) > 20
    assert [name for name, times in Counter(one["operationId"] for one in known).items() if times > 1] == []
    assert [one["operationId"] for one in known if len(one.get("description", "")) < 20] == []


async def test_schemas_are_served_as_they_are_printed() -> None:
    async with asking(MemoryJournal()) as client:
        listed = (await client.get("/v1/schemas")).json()["items"]
        assert [one["name"] for one in listed] == [one.name for one in SCHEMAS]
        for one, known in zip(listed, SCHEMAS, strict=True):
            answer = await client.get(one["link"])
            assert (answer.status_code, answer.headers["content-type"]) == (200, MEDIA_TYPE)
            assert answer.json() == known.make(EXAMPLE)
            Draft202012Validator.check_schema(answer.json())
            again = await client.get(one["link"], headers={"If-None-Match": answer.headers["etag"]})
            assert again.status_code == 304
        missing = await client.get("/v1/schemas/setings")
    assert (missing.status_code, missing.json()["where"]) == (404, "name")
