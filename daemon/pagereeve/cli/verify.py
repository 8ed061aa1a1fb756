"""``pagereeve verify``."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

from pagereeve.app.journals import JournalPlace, reads_of
from pagereeve.cli.held_heads import held_heads
from pagereeve.cli.journal import journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import output_file, say, say_json
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.canonical import canonical
from pagereeve.queries.inclusion import InclusionProof, inclusion_proofs
from pagereeve.queries.verify import HeldHead, Verification
from pagereeve.queries.verify import verify as verified
from pagereeve.reports.verify import proof_json, verification_json, verification_lines

NOT_SEEN: Final = 2
"""The status where nothing is wrong in what was read, and the file of an archive was not there to be read."""


def verify(
    *,
    head: Annotated[
        list[str] | None,
        Parameter(help="A head that you kept, SIZE:HEX or HEX, or a file of such; may be repeated."),
    ] = None,
    proof: Annotated[
        str | None, Parameter(help="Write a proof that this release's notices are sealed, instead of verifying.")
    ] = None,
    source: Annotated[str | None, Parameter(help="Only the release of this source, with --proof.")] = None,
    opened: Annotated[
        bool, Parameter(negative="", help="The proof shows names, badge hash and texts, not commitments alone.")
    ] = False,
    out: Annotated[Path | None, Parameter(help="File for the proof, replaced atomically.")] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Find facts that were edited, removed, inserted, reordered or doubled after they were stored.

    Reads every fact, beside the daemon too. Who can write the journal can also write new seals: only a head
    that is kept elsewhere (from the log, from /v1/seal, from an export) shows that. Exit status 1 if anything is wrong,
    2 if nothing is and the file of an archive was not there to be read.
    """
    path = journal_place(config, data_dir)
    if proof is not None:
        proofs = asyncio.run(_proofs(path, proof, source))
        if len(proofs) > 1:
            raise BadQuestion("--source", f"say whose: {', '.join(one.source for one in proofs)}")
        with output_file(out) as file:
            file.write(canonical(proof_json(proofs[0], opened=opened)) + b"\n")
        return 0
    done = asyncio.run(_verified(path, held_heads(head or [])))
    if json:
        say_json(verification_json(done))
    else:
        for line in verification_lines(done):
            say(line)
    if not done.is_good:
        return 1
    return NOT_SEEN if done.unseen else 0


async def _verified(path: JournalPlace, heads: Sequence[HeldHead]) -> Verification:
    async with await reads_of(path) as reads:
        return await verified(reads, heads)


async def _proofs(path: JournalPlace, release: str, source: str | None) -> Sequence[InclusionProof]:
    async with await reads_of(path) as reads:
        return await inclusion_proofs(reads, release, source)
