"""Text from outside, shown to people: a terminal obeys control characters and rich obeys brackets."""

from __future__ import annotations

from rich.markup import escape


def visible(text: str) -> str:
    """``text`` with everything that a terminal would obey written out."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)


def plain(text: str) -> str:
    """``visible``, and no markup for rich."""
    return escape(visible(text))
