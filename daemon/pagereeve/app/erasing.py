"""``pagereeve erase``: a person is taken out of the journal, and the ledger is projected anew with a name of nobody."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.app.redating import project_anew
from pagereeve.domain.seal.erasure import ERASED
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.erasing import Erasure, ErasureOutcome
from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.upgrade import refuse_full_disk


class NobodyToErase(PagereeveError):
    """Nothing in the journal names the owner: nothing was changed."""


@dataclass(frozen=True, slots=True)
class ErasedPerson:
    """``name`` stands in the owner's place from now on."""

    name: str
    outcome: ErasureOutcome


async def erase_owner(path: Path, owner: str, by: str) -> ErasedPerson:
    """No daemon may run. Raises CantOpen, NoSpace or NobodyToErase; then nothing was changed."""
    if not path.is_file():  # noqa: ASYNC240 - once, at the start
        raise CantOpen(path, "there is no such file; the daemon creates it at its first start")
    refuse_full_disk(path)
    clock = SystemClock()
    journal = await SqlJournal.open(path, clock)
    try:
        name = f"{ERASED}{secrets.token_hex(6)}"
        outcome = await journal.erase(Erasure(owner, name, by, clock.now_us()))
        if not outcome.facts:
            raise NobodyToErase("nothing in the journal names that owner; pagereeve totals lists them")
        await project_anew(journal, outcome.printers)
        await journal.rewrite()
    finally:
        await journal.close()
    return ErasedPerson(name, outcome)
