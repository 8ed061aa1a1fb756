"""Questions that schemathesis makes up from the OpenAPI document, asked as each role: answers must be in it."""

from __future__ import annotations

from typing import Any, Final

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.core.result import Ok

from pagereeve.console.api.application import OPENAPI_PATH
from tests.api_world import ROLES, ApiWorld, headers_as

CHECKED: Final = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "unsupported_method",
    "allow_header_conformance",
)
"""Without those that can't hold: positive_data_acceptance (a name that fits the schema need not exist, a period not be
one, and whoever lacks an act is refused), ignored_auth (where no credential was made anybody may ask, and it is shown
by tests of access), use_after_free and ensure_resource_availability (nothing is made or deleted under a name),
missing_required_header (none is), object_level_authorization (nobody owns a part of a site).
"""


SHRUNK_FROM: Final = 20


def conform_all(world: ApiWorld, examples: int, number: int) -> list[str]:
    """Which operations were asked so many sound and unsound questions each, by each role; ``number`` chooses them.

    What a role may not do is asked too: it must be refused as the document says.
    """
    load_all_checks()
    asked = []
    schema = schemathesis.openapi.from_asgi(OPENAPI_PATH, world.open_app)
    for found in schema.get_all_operations():
        assert isinstance(found, Ok), found
        operation = found.ok()
        for mode in GenerationMode:
            _conform(world, operation, mode, examples, number)
        asked.append(operation.label)
    return asked


def _conform(world: ApiWorld, operation: Any, mode: GenerationMode, examples: int, number: int) -> None:
    """Raises what schemathesis found, with the request that shows it."""
    checks: list[Any] = [CHECKS.get_one(name) for name in CHECKED]

    @seed(number)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.generate] if examples < SHRUNK_FROM else [Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(mode))
    def ask(case: Case[Any]) -> None:
        for role in ROLES:
            case.call_and_validate(headers=headers_as(role), checks=checks, app=world.app_of(role))

    try:
        ask()
    except Unsatisfiable:
        # Nothing can be wrong with a question that has no parameters.
        assert mode is GenerationMode.NEGATIVE, operation.label
