"""Why a centre joins nothing of a batch: a closed set of causes, each with what is known of it."""

from __future__ import annotations

from typing import Final, Literal, get_args

from pagereeve.domain.values.errors import PagereeveError

Cause = Literal[
    "malformed",
    "too-large",
    "unknown-version",
    "wrong-origin",
    "name-taken",
    "gap",
    "fork",
    "broken-link",
    "unknown-fact",
]
CAUSES: Final[tuple[Cause, ...]] = get_args(Cause)
"""malformed        it can't be read as a batch
too-large        more facts or bytes than a batch may have
unknown-version  a format that is not known here
wrong-origin     of another site than whoever sends it may speak for
name-taken       printers of the centre's own begin with the site's name
gap              facts between what is held and what came are missing: send from the first of these
fork             another fact is held where this one was sealed: the site's journal is an older copy, or was edited
broken-link      a fact does not give the link that is said of it: damaged on the way
unknown-fact     a fact of a kind that is not known here: the centre is older than the site
"""


class BatchRefused(PagereeveError):
    """Nothing of the batch was joined. ``has`` is the highest place that is held, None where that was not looked at;
    ``place`` is the one that the refusal is about, 0 where it is about none.
    """

    def __init__(self, cause: Cause, problem: str, *, place: int = 0, has: int | None = None) -> None:
        super().__init__(problem)
        self.cause: Cause = cause
        self.problem = problem
        self.place = place
        self.has = has
