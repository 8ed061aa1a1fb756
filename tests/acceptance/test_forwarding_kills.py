"""A site and its centre are killed with SIGKILL at many moments while facts are forwarded: nothing is lost, nothing is
there twice, and the centre has each fact to the byte under the link that the site sealed.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sqlite3
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Final

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.sites import name_at
from pagereeve.domain.forwarding.batch import FACTS_MAX, SealedBody
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.verify import verify
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.acceptance.process import Daemon, a_free_port
from tests.journal_samples import NOON_US, read

SEED: Final = 20261130
KILLS: Final = 3
FACTS: Final = 6_000
GONE_ON_S: Final = 300.0
MOVES_S: Final = 15.0
ONE_IN: Final = 40
TOKEN: Final = "annex-token-of-twenty-two-characters"
CENTRE: Final = """
data_dir = "{folder}/centre"
[http]
listen = "127.0.0.1:{port}"
[[http.credentials]]
name = "annex"
acts = ["forward"]
token_file = "{folder}/token"
[log]
level = "error"
"""
SITE: Final = """
data_dir = "{folder}/site"
[http]
listen = "127.0.0.1:{port}"
[log]
level = "error"
[[forward]]
name = "centre"
url = "http://127.0.0.1:{centre}"
site = "annex"
token_file = "{folder}/token"
"""


async def filled(path: Path) -> None:
    """So much that it takes longer to forward it than to be killed."""
    journal = await SqlJournal.open(path, SystemClock())
    for start in range(0, FACTS, 1_000):
        facts = [read(number, f"room-{number % 40}", at_us=NOON_US + number) for number in range(start, start + 1_000)]
        await journal.append_together(facts)
    await journal.close()


async def printed(port: int, name: str) -> bool:
    """One release more; is it acknowledged?"""
    data = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": "hall", "ticket": {"pages": 1}}
    event = {
        "specversion": "1.0",
        "id": f"{name}.started",
        "source": "/rs",
        "type": "pagereeve.release.started.v1",
        "time": to_text(SystemClock().now_us()),
        "data": data,
    }
    headers = {"Content-Type": "application/cloudevents+json"}
    async with httpx2.AsyncClient(timeout=15.0) as client:
        answer = await client.post(f"http://127.0.0.1:{port}/v1/events", content=json.dumps(event), headers=headers)
    return answer.status_code == 200


def held(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM forwarded").fetchone()[0])


async def moved(theirs: Path, facts: int) -> None:
    """Until the centre has so many more, or for a while: another moment is as good."""
    before = held(theirs)
    for _ in range(int(MOVES_S / 0.02)):
        if held(theirs) >= before + facts:
            return
        await asyncio.sleep(0.02)


async def all_held(ours: Path, theirs: Path) -> None:
    async with await SqlReads.open_for_reading(ours) as journal:
        for _ in range(int(GONE_ON_S / 0.2)):
            if held(theirs) >= await journal.last_position():
                return
            await asyncio.sleep(0.2)
    raise AssertionError(f"the centre has {held(theirs)} facts after {GONE_ON_S} s")


async def sealed_of(journal: SqlReads) -> list[SealedBody]:
    found: list[SealedBody] = []
    while page := await journal.sealed_bodies(len(found), FACTS_MAX):
        found += page
    return found


@pytest.mark.timeout(600)
async def test_killed_at_many_moments_both_have_the_same_to_the_byte(tmp_path: Path) -> None:
    site = Daemon(tmp_path / "site.toml", a_free_port())
    centre = Daemon(tmp_path / "centre.toml", a_free_port())
    (tmp_path / "token").write_text(TOKEN)
    for name in ("site", "centre"):
        (tmp_path / name).mkdir(mode=0o700)
    site.config.write_text(SITE.format(folder=tmp_path, port=site.port, centre=centre.port))
    centre.config.write_text(CENTRE.format(folder=tmp_path, port=centre.port))
    ours, theirs = tmp_path / "site" / JOURNAL_NAME, tmp_path / "centre" / JOURNAL_NAME
    await filled(ours)
    moments, places, acknowledged = Random(SEED), [], set[str]()
    try:
        await asyncio.gather(site.start(), centre.start())
        for number in range(2 * KILLS):
            if await printed(site.port, f"r-{number}"):
                acknowledged.add(f"r-{number}")
            await moved(theirs, moments.randint(1, 300))
            await asyncio.sleep(moments.uniform(0.0, 0.3))
            victim = (site, centre)[number % 2]
            assert await victim.end(signal.SIGKILL) == -signal.SIGKILL
            places.append(held(theirs))
            await victim.start()
        assert places == sorted(places)
        assert sum(0 < place < FACTS for place in places) > KILLS // 2, f"the kills hit nothing: {places}"
        await all_held(ours, theirs)
        assert await site.end(signal.SIGTERM) == 0
        await asyncio.sleep(1.0)
        assert await centre.end(signal.SIGTERM) == 0
    finally:
        for one in (site, centre):
            if one.process is not None and one.process.returncode is None:
                await one.end(signal.SIGKILL)
    assert len(acknowledged) > KILLS
    await check(ours, theirs, acknowledged)


async def check(ours: Path, theirs: Path, acknowledged: set[str]) -> None:
    async with await SqlReads.open_for_reading(ours) as site, await SqlReads.open_for_reading(theirs) as centre:
        [origin] = await centre.origins()
        assert (origin.id, origin.site) == (await site.own_origin(), "annex")
        sealed = (await sealed_of(site))[: origin.place]
        assert len(sealed) == origin.place > FACTS
        places = await centre.held_places(origin.id, 0, 10_000)
        assert [places[place] for place in sorted(places)] == [one.sealed for one in sealed]
        assert sorted(places) == list(range(1, len(sealed) + 1))
        tips = {one.sealed.timeline: one.sealed for one in sealed}
        assert await centre.held_tips(origin.id, list(tips)) == tips
        releases = {getattr(one.fact, "release", "") async for one in centre.facts("annex/hall")}
        assert acknowledged <= releases
        assert [(await verify(one)).problems for one in (site, centre)] == [[], []]
        # Each link was computed anew from what is stored; here are the bytes, of one in so many and of what came last.
        for one in (*sealed[::ONE_IN], *sealed[FACTS:]):
            timeline, seq = one.sealed.timeline, one.sealed.seq
            content = await site.sealed_content(timeline, seq)
            assert content is not None
            assert content == await centre.sealed_content(name_at("annex", timeline), seq)
    with closing(sqlite3.connect(theirs)) as connection:
        stored = connection.execute("SELECT count(*), count(DISTINCT printer || ':' || seq) FROM fact WHERE origin = 1")
        assert stored.fetchone() == (len(sealed), len(sealed))
