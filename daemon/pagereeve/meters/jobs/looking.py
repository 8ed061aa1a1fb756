"""Looks at a printer's job table: found once, then read with the meter and in a question or two when a job came."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Final

from pagereeve.domain.facts.jobs import JOB_MAX
from pagereeve.meters.job_names import submission_ids
from pagereeve.meters.jobs.objects import NEWEST, STATE, general
from pagereeve.meters.jobs.table import JobTable
from pagereeve.meters.snmp.ber import DecodeError, Varbind, oid_arcs, oid_bytes
from pagereeve.meters.snmp.conversation import Conversation, Got
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.walking import Walk
from pagereeve.ports.jobs import JobRow, JobsLook

# Rows last about a minute after a job's end: a table is looked through once, and no further than this.
FIRST_ROWS_MAX: Final = 32
LAST_ROWS_MAX: Final = 8
ROUNDS_MAX: Final = 3
FIRST_SET: Final = 1
# A printer whose agent is silent about jobs is read all the same, and in time.
LOOK_MAX_S: Final = 2.0


async def survey_jobs(conversation: Conversation) -> JobTable | None:
    """Whether the agent has a job table, and which number is the highest. A table that is named otherwise is found by
    what follows (devices with one queue have set 1: RFC 2707 section 4). Raises ReadEnded, DecodeError.
    """
    job_set = await _job_set(conversation)
    if job_set is None:
        return None
    table = JobTable(job_set)
    column = oid_bytes(f"{STATE}.{job_set}")
    walk = await Walk({column: FIRST_ROWS_MAX}).finish(conversation)
    numbers = sorted(index[0] for index in walk.found[column] if len(index) == 1 and 0 < index[0] <= JOB_MAX)
    if numbers and column not in walk.cut:
        last = numbers[-LAST_ROWS_MAX:]
        table.take((await conversation.get(table.row_names(last))).values, last)
    return table


async def jobs_told(conversation: Conversation) -> list[str]:
    """For people: that the agent tells of its jobs, or nothing. A table that can't be read costs no inspection."""
    try:
        async with asyncio.timeout(LOOK_MAX_S):
            table = await survey_jobs(conversation)
    except (ReadEnded, DecodeError, TimeoutError) as error:
        return [f"its job table (RFC 2707) can't be read: {str(error) or 'no answer'}"]
    if table is None:
        return []
    highest = "no job in it now" if table.highest is None else f"highest number {table.highest}"
    return [f"tells of its print jobs (RFC 2707, set {table.job_set}): {highest}"]


async def _job_set(conversation: Conversation) -> int | None:
    name = general(NEWEST, FIRST_SET)
    shown = (await conversation.get([name])).values.get(name)
    if shown is not None and not shown.absent:
        return FIRST_SET
    column = oid_bytes(NEWEST)
    (after,) = await conversation.get_next([column])
    if after is None or after.absent or not after.oid.startswith(column):
        return None
    return _last_arc(after)


def _last_arc(varbind: Varbind) -> int | None:
    arc = oid_arcs(varbind.oid)[-1]
    return arc if 0 < arc <= JOB_MAX else None


async def look_at_jobs(
    table: JobTable, conversation: Conversation, brought: Got | None, *, busy: bool, names: Sequence[str] = ()
) -> JobsLook | None:
    """What the jobs are now: ``brought`` is what came with the meter's own values, asked for here where it did not.
    Where ``names`` are submission ids, the jobs that they lead to bear them.

    None where the agent says nothing of jobs. Raises ReadEnded, DecodeError.
    """
    asked = table.wanted()
    got = await conversation.get(table.names()) if brought is None else brought
    newest = table.newest(got.values)
    if newest is None:
        return None
    first = table.highest
    rows, gone = table.take(got.values, asked)
    new, whole = table.unasked(newest, more=table.highest != first)
    if not new and first is None and busy:
        new = await _first_number(table, conversation)
    received_us = got.received_us
    for _ in range(ROUNDS_MAX if new else 0):
        more = await conversation.get(table.row_names(new))
        received_us = max(received_us, more.received_us)
        found, _ = table.take(more.values, new)
        rows += found
        new, _ = table.unasked(0, more=bool(found))
        if not new:
            break
    ids = submission_ids(names)
    if wanted := table.id_names(ids):
        table.take_ids((await conversation.get(wanted)).values, ids)
    rows = table.named(rows)
    rows, received_us = await _with_attributes(table, conversation, rows, received_us)
    lost = tuple((table.epoch, job) for job in gone)
    return JobsLook("snmp", table.job_set, got.sent_us, received_us, tuple(rows), lost, whole and not new)


async def _first_number(table: JobTable, conversation: Conversation) -> list[int]:
    """No job was ever seen, and none is active: the first row that there is."""
    column = oid_bytes(f"{STATE}.{table.job_set}")
    (after,) = await conversation.get_next([column])
    if after is None or after.absent or not after.oid.startswith(column):
        return []
    job = _last_arc(after)
    return [] if job is None else [job]


async def _with_attributes(
    table: JobTable, conversation: Conversation, rows: Sequence[JobRow], received_us: int
) -> tuple[list[JobRow], int]:
    names = table.last_names(rows)
    if not names:
        return list(rows), received_us
    got = await conversation.get(names)
    return [table.with_attributes(one, got.values) for one in rows], max(received_us, got.received_us)
