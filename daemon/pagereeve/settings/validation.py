"""From pydantic's errors to ours: the place as written in the file, the cause, and what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pagereeve.settings.crosschecks import CROSS_CHECK
from pagereeve.settings.errors import Problem
from pagereeve.settings.model import Settings
from pagereeve.settings.places import EntryProblem, Places, Step
from pagereeve.settings.suggestions import nearest

# Settings that there were once, by their place without the numbers of rows.
_MOVED: Final[Mapping[tuple[str, ...], str]] = {
    ("feeds", "lines", "tee"): (
        "is no setting any more: lines that pass on have a process of their own, which goes on without the daemon "
        "(pagereeve relay). Make this table a [[relays]] with forward_to in the place of tee"
    ),
}


def problems_of(error: ValidationError, places: Places) -> list[Problem | EntryProblem]:
    """One for each error; ``places`` are those of what was validated."""
    problems: list[Problem | EntryProblem] = []
    for details in error.errors(include_url=False, include_input=False):
        if details["type"] == CROSS_CHECK:
            problems += details["ctx"]["problems"]
        else:
            problems.append(Problem(places.setting(details["loc"]), _text(details)))
    return problems


def _text(details: ErrorDetails) -> str:
    kind, steps = details["type"], details["loc"]
    if kind == "extra_forbidden":
        moved = _MOVED.get(tuple(step for step in steps if isinstance(step, str)))
        if moved is not None:
            return moved
        return f"is no setting{_elsewhere(str(steps[-1]), _names(steps[:-1]))}"
    if kind == "missing":
        return "is missing; it has no default"
    text = details["msg"].removeprefix("Value error, ")
    return text[:1].lower() + text[1:] if text.startswith(("Input should", "String should")) else text


def _elsewhere(name: str, here: Sequence[str]) -> str:
    """The nearest setting of the same table, else the table in which the name is a setting."""
    hint = nearest(name, here)
    if "did you mean" in hint:
        return hint
    tables = [table for table in Settings.model_fields if name in _names((table,)) or name in _names((table, 0))]
    return f"; there is one in [{tables[0]}]" if tables else hint


def _names(steps: Sequence[Step]) -> list[str]:
    """The settings that the table at ``steps`` knows; none where there is no table."""
    model: type[BaseModel] | None = Settings
    for step in steps:
        if isinstance(step, str) and model is not None:
            field = model.model_fields.get(step)
            model = None if field is None else _model_in(field.annotation)
    return [] if model is None else [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, directly or in a tuple."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = get_args(annotation)[:1] if get_origin(annotation) in {Annotated, tuple} else ()
    return _model_in(inner[0]) if inner else None
