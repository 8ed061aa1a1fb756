"""What can be wrong with a question somebody asks of the ledger.

PagereeveError
└── BadQuestion    the question can't be answered as asked: says what is wrong and how to ask it
"""

from __future__ import annotations

from pagereeve.domain.values.errors import PagereeveError


class BadQuestion(PagereeveError):
    """``where`` names the option or file, the text says what is wrong with it and what to do."""

    def __init__(self, where: str, problem: str) -> None:
        super().__init__(f"{where}: {problem}")
        self.where = where
        self.problem = problem
