"""What was decided under which key, as long as the daemon runs; after that the journal knows the key as an id."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

from pydantic import BaseModel

from pagereeve.console.api.problems import ApiProblem
from pagereeve.queries.decisions import DecisionsShown

KEPT_MAX: Final = 4_096


def digest_of(what: str, said: BaseModel) -> str:
    return hashlib.sha256(f"{what} {said.model_dump_json(by_alias=True)}".encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Done:
    """``decisions`` are the ids that it led to, ``before`` is what a finding showed before it."""

    digest: str
    decisions: tuple[str, ...]
    before: DecisionsShown = field(default_factory=lambda: DecisionsShown(0))


class Keys:
    """By the caller's name and the key: a key is its sender's own."""

    def __init__(self) -> None:
        self._done: OrderedDict[tuple[str, str], Done] = OrderedDict()

    def done(self, caller: str, key: str, digest: str) -> Done | None:
        """Raises ApiProblem where the key was used for something else."""
        known = self._done.get((caller, key)) if key else None
        if known is not None and known.digest != digest:
            raise used_otherwise()
        return known

    def keep(self, caller: str, key: str, done: Done) -> None:
        if not key:
            return
        self._done[caller, key] = done
        if len(self._done) > KEPT_MAX:
            self._done.popitem(last=False)


def used_otherwise() -> ApiProblem:
    problem = "was used for another decision, which stands; give this one a key of its own"
    return ApiProblem("conflict", "Idempotency-Key", problem)
