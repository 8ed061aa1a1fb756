"""What schemathesis makes up from the OpenAPI document is answered as the document says, to each role.

The long form is a drill (contrib/drill/api_questions.py).
"""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.console.api.resources import changes
from tests.api_conformance import conform_all
from tests.api_world import ApiWorld, full_journal


def test_every_operation_answers_as_the_document_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "STREAM_S", 0.0)  # it would go on without an end
    asked = conform_all(ApiWorld.of(asyncio.run(full_journal())), examples=1, number=18)
    assert len(asked) > 25
