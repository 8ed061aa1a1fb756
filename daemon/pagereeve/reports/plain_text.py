"""Text from outside for rich, which obeys brackets."""

from __future__ import annotations

from rich.markup import escape

from pagereeve.domain.values.visible import visible


def plain(text: str) -> str:
    """``visible``, and no markup for rich."""
    return escape(visible(text))
