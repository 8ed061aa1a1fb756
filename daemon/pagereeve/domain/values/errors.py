"""What the domain refuses.

PagereeveError
├── BadFact        a fact that breaks its own schema: says where and what to do
└── BadCanonical   a value that has no RFC 8785 form
"""

from __future__ import annotations


class PagereeveError(Exception):
    """Base of everything this package raises on purpose."""


class BadFact(PagereeveError):
    """A value that is refused: ``where`` names the field, the text says what to do."""

    def __init__(self, where: str, problem: str) -> None:
        super().__init__(f"{where}: {problem}")
        self.where = where
        self.problem = problem


class BadCanonical(PagereeveError):
    """A value outside RFC 8785 (I-JSON): NaN, infinity, a lone surrogate, an unsafe integer."""
