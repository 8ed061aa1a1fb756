"""Relative paths in a settings file are relative to its folder. Which settings are paths, their types say."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel


def rooted(table: Mapping[str, Any], model: type[BaseModel], base: Path) -> dict[str, Any]:
    """A table as ``model`` describes it, its paths made absolute; what has another shape is left to validation."""
    fields = model.model_fields
    return {
        name: _rooted(value, fields[name].annotation, base) if name in fields else value
        for name, value in table.items()
    }


def _rooted(value: Any, kind: Any, base: Path) -> Any:
    if kind is Path:
        return str(base / value) if isinstance(value, str) and value else value
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return rooted(value, kind, base) if isinstance(value, dict) else value
    # Path | None, Annotated[Path, ...], tuple[Path, ...]: what is rooted already stays as it is.
    for inner in get_args(kind):
        value = [_rooted(one, inner, base) for one in value] if isinstance(value, list) else _rooted(value, inner, base)
    return value
