"""Text from outside, shown to people: a terminal obeys control characters."""

from __future__ import annotations


def visible(text: str) -> str:
    """``text`` with everything that a terminal would obey written out."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)
