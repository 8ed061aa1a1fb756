"""The relay's end of the local socket: what is held, for whom, and how much."""

from __future__ import annotations

import asyncio
import contextlib
import stat
from pathlib import Path

from tests.relaying import (
    BEGIN_US,
    BOOT,
    DaemonEnd,
    ReleaseServer,
    Reports,
    connect,
    listening,
    relay_settings,
    relaying,
    until,
)


async def test_lines_come_with_where_from_and_when_and_are_held_until_acknowledged(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        _, writer = await connect(relay)
        writer.write(b"04A1\n0042\n0042\n")
        daemon, greeting = await DaemonEnd.at(tmp_path, "badges")
        assert (greeting.boot, greeting.taken, list(greeting.relays)) == (BOOT, False, ["badges"])
        assert greeting.relays["badges"] == relay.listeners[0].address
        assert await daemon.read(3) == ["04A1", "0042", "0042"]
        assert [(line.peer, line.connection, line.line) for line in daemon.lines] == [
            ("127.0.0.1", 1, 1),
            ("127.0.0.1", 1, 2),
            ("127.0.0.1", 1, 3),
        ]
        instants = [line.at_us for line in daemon.lines]
        assert instants == sorted(set(instants))
        assert instants[0] > BEGIN_US
        daemon.done(daemon.lines[1].number)
        await until(lambda: len(relay.spools.by_relay["badges"]) == 2)
        daemon.close()
        again, _ = await DaemonEnd.at(tmp_path, "badges")
        assert await again.read(2) == ["04A1", "0042"]
        assert again.lines == [daemon.lines[0], daemon.lines[2]]
        again.all_done()
        await until(lambda: not len(relay.spools.by_relay["badges"]))
        again.close()
        writer.close()


async def test_the_socket_is_for_its_own_user_and_comes_back_where_it_is_removed(tmp_path: Path) -> None:
    server = ReleaseServer()
    path = tmp_path / "relay.sock"
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)):
        await until(path.exists)
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        path.unlink()
        await until(path.exists)
        daemon, _ = await DaemonEnd.at(tmp_path)
        daemon.close()
    assert not path.exists()


async def test_a_folder_that_comes_late_keeps_no_line_from_the_release_server(tmp_path: Path) -> None:
    server, reports = ReleaseServer(), Reports()
    folder = tmp_path / "late"
    async with listening(server.serve) as target, relaying(folder, relay_settings(target), reports=reports) as relay:
        _, writer = await connect(relay)
        writer.write(b"04A1\n")
        await until(lambda: server.has(5))
        folder.mkdir()
        daemon, _ = await DaemonEnd.at(folder, "badges")
        assert await daemon.read(1) == ["04A1"]
        daemon.all_done()
        daemon.close()
        writer.close()
    assert "can't be made" in reports[0][0]


async def test_who_comes_last_takes_and_who_only_looks_takes_nothing(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        _, writer = await connect(relay)
        writer.write(b"1\n")
        first, _ = await DaemonEnd.at(tmp_path, "badges")
        assert await first.read(1) == ["1"]
        looking, greeting = await DaemonEnd.at(tmp_path)
        assert (greeting.taken, greeting.held) == (True, {"badges": 1})
        second, _ = await DaemonEnd.at(tmp_path, "badges")
        assert await second.read(1) == ["1"]
        first.all_done()
        writer.write(b"2\n")
        assert await second.read(1) == ["2"]
        assert relay.spools.held() == {"badges": 2}
        second.all_done()
        await until(lambda: relay.spools.held() == {"badges": 0})
        for end in (first, second, looking):
            end.close()
        writer.close()


async def test_more_than_is_held_is_forwarded_all_the_same_and_counted_once(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target:
        settings = relay_settings(target, held_lines_max=3)
        async with relaying(tmp_path, settings) as relay:
            _, writer = await connect(relay)
            writer.write(b"".join(b"%d\n" % number for number in range(1, 10)))
            await until(lambda: server.has(18))
            daemon, _ = await DaemonEnd.at(tmp_path, "badges")
            assert await daemon.read(3) == ["1", "2", "3"]
            assert await daemon.reads_nothing(0.2)
            daemon.all_done()
            await until(lambda: relay.spools.held() == {"badges": 0})
            writer.write(b"10\n")
            assert await daemon.read(1) == ["10"]
            assert [one.totals["dropped_lines"] - one.told["dropped_lines"] for one in daemon.figures[:1]] == [6]
            daemon.close()
            again, _ = await DaemonEnd.at(tmp_path, "badges")
            writer.write(b"11\n")
            assert await again.read(2) == ["10", "11"]
            assert all(one.totals["dropped_lines"] == one.told["dropped_lines"] for one in again.figures)
            again.close()
            writer.close()


async def test_a_frozen_taker_holds_up_nobody_and_gets_no_more_than_its_window(tmp_path: Path) -> None:
    server = ReleaseServer()
    sent = b"0042-0042-0042-0042\n" * 100_000
    async with (
        listening(server.serve) as target,
        relaying(tmp_path, relay_settings(target, held_lines_max=1_000_000)) as relay,
    ):
        frozen, _ = await DaemonEnd.at(tmp_path, "badges", window=10_000)
        _, writer = await connect(relay)
        writer.write(sent)
        writer.write_eof()
        await asyncio.wait_for(server.ended.wait(), 20)
        assert bytes(server.received) == sent
        spool = relay.spools.by_relay["badges"]
        assert spool.in_flight <= 10_000
        assert len(spool) + relay.listeners[0].counts.dropped_lines == 100_000
        frozen.close()
        writer.close()


async def test_a_flood_through_one_relay_does_not_push_out_the_lines_of_another(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target:
        settings = [relay_settings(target, name=name, held_lines_max=5) for name in ("calm", "flooded")]
        async with relaying(tmp_path, *settings) as relay:
            _, flood = await connect(relay, 1)
            flood.write(b"9\n" * 1_000)
            _, calm = await connect(relay, 0)
            calm.write(b"1\n")
            await until(lambda: server.has(2_002))
            daemon, _ = await DaemonEnd.at(tmp_path, "flooded", "calm", window=2)
            assert sorted(await daemon.read(2)) == ["1", "9"]
            daemon.close()
            flood.close()
            calm.close()


async def test_a_stranger_that_says_nothing_or_nonsense_is_sent_away(tmp_path: Path) -> None:
    server, reports = ReleaseServer(), Reports()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target), reports=reports):
        await until((tmp_path / "relay.sock").exists)
        for nonsense in (b"hello\n", b'{"type":"done","numbers":[1]}\n', b"x" * 2**20):
            reader, writer = await asyncio.open_unix_connection(str(tmp_path / "relay.sock"))
            await reader.readline()
            writer.write(nonsense)
            with contextlib.suppress(ConnectionError):
                assert await asyncio.wait_for(reader.read(), 5) == b""
            writer.close()
    assert [type(error).__name__ for _, error in reports] == ["BadMessage", "BadMessage", "ValueError"]


async def test_a_stop_sends_on_and_hands_over_what_came(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        daemon, _ = await DaemonEnd.at(tmp_path, "badges")
        _, writer = await connect(relay)
        writer.write(b"1\n2")
        await until(lambda: server.has(3))
        stopping = asyncio.create_task(relay.stop())
        assert await daemon.read(2) == ["1", "2"]
        daemon.all_done()
        await asyncio.wait_for(stopping, 5)
        assert relay.spools.held() == {"badges": 0}
        daemon.close()
        writer.close()
