"""The local socket's file: closed to others before anybody can connect, and in nobody's place."""

from __future__ import annotations

import grp
import os
import socket
import stat
from pathlib import Path

import pytest

from pagereeve.feeds.local import socket_file
from pagereeve.feeds.local.socket_file import PATH_MAX_BYTES, NoLocalSocket, SocketFile, group_problem, path_problem
from pagereeve.feeds.peer_user import uid_of

OWN_GROUP = grp.getgrgid(os.getegid()).gr_name


def connects(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as asking:
        return asking.connect_ex(str(path)) == 0


def dead_socket(path: Path) -> None:
    """As a daemon leaves it that was killed."""
    with socket.socket(socket.AF_UNIX) as gone:
        gone.bind(str(path))
        gone.listen()


@pytest.mark.parametrize(("group", "mode"), [(None, 0o600), (OWN_GROUP, 0o660)])
def test_nobody_else_may_connect_unless_a_group_is_set(tmp_path: Path, group: str | None, mode: int) -> None:
    made = SocketFile(tmp_path / "daemon.sock", group)
    found = made.path.stat()
    assert (stat.S_IMODE(found.st_mode), stat.S_ISSOCK(found.st_mode)) == (mode, True)
    assert found.st_gid == os.getegid()
    assert connects(made.path)
    assert [one.name for one in tmp_path.iterdir()] == ["daemon.sock"]
    made.remove()
    made.listening.close()
    assert list(tmp_path.iterdir()) == []


def test_the_kernel_says_who_is_at_the_other_end(tmp_path: Path) -> None:
    made = SocketFile(tmp_path / "daemon.sock")
    with socket.socket(socket.AF_UNIX) as asking:
        asking.connect(str(made.path))
        accepted, _ = made.listening.accept()
        with accepted:
            assert uid_of(accepted) == os.geteuid()
    made.listening.close()


def test_one_that_a_dead_daemon_left_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "daemon.sock"
    dead_socket(path)
    assert not connects(path)
    made = SocketFile(path)
    assert connects(path)
    assert [one.name for one in tmp_path.iterdir()] == ["daemon.sock"]
    made.listening.close()


def test_one_that_somebody_listens_on_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "daemon.sock"
    living = SocketFile(path)
    with pytest.raises(NoLocalSocket, match=r"another process listens on .*daemon\.sock; stop that daemon"):
        SocketFile(path)
    assert living.is_there()
    assert connects(path)
    living.listening.close()


def test_one_that_is_full_is_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A frozen daemon accepts nothing; connect(2) then says EAGAIN."""
    monkeypatch.setattr(socket_file, "BACKLOG", 0)
    living = SocketFile(tmp_path / "daemon.sock")
    waiting = [socket.socket(socket.AF_UNIX) for _ in range(4)]
    for one in waiting:
        one.settimeout(0)
        one.connect_ex(str(living.path))
    with pytest.raises(NoLocalSocket, match="another process listens"):
        SocketFile(living.path)
    for one in (*waiting, living.listening):
        one.close()


def test_one_that_came_while_a_dead_one_was_removed_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two daemons start at once over a dead socket: whoever is second finds the other's."""
    path = tmp_path / "daemon.sock"
    dead_socket(path)
    looked: list[SocketFile] = []

    def slow_look(_: Path) -> bool:
        if not looked:
            path.unlink()
            looked.append(SocketFile(path))
            return False
        return True

    monkeypatch.setattr(socket_file, "_is_alive", slow_look)
    with pytest.raises(NoLocalSocket, match="another process listens"):
        SocketFile(path)
    assert looked[0].is_there()
    assert connects(path)
    looked[0].listening.close()


@pytest.mark.parametrize("make", [Path.mkdir, Path.touch])
def test_what_is_no_socket_is_left_alone(tmp_path: Path, make: object) -> None:
    path = tmp_path / "daemon.sock"
    assert callable(make)
    make(path)
    with pytest.raises(NoLocalSocket, match="is no socket; move it away"):
        SocketFile(path)
    assert path.exists()


def test_a_daemon_removes_no_others_file(tmp_path: Path) -> None:
    path = tmp_path / "daemon.sock"
    first = SocketFile(path)
    path.unlink()
    second = SocketFile(path)
    first.remove()
    assert not first.is_there()
    assert second.is_there()
    for one in (first, second):
        one.listening.close()


def test_a_path_that_the_system_does_not_allow_is_named() -> None:
    folder = Path("/" + "f" * (PATH_MAX_BYTES - len("//daemon.sock")))
    assert path_problem(folder / "daemon.sock") == ""
    problem = path_problem(folder / "daemon2.sock")
    assert problem == "the local socket's path has 108 bytes, and the system allows 107; set socket in [local]"
    with pytest.raises(NoLocalSocket, match="108 bytes"):
        SocketFile(folder / "daemon2.sock")


def test_a_folder_that_is_not_there_and_a_group_that_nobody_knows(tmp_path: Path) -> None:
    with pytest.raises(NoLocalSocket, match=r"can't make the local socket .*: No such file or directory"):
        SocketFile(tmp_path / "none" / "daemon.sock")
    assert "is no group of this machine" in group_problem("no-such-group-here")
    with pytest.raises(NoLocalSocket, match="is no group of this machine"):
        SocketFile(tmp_path / "daemon.sock", "no-such-group-here")
    assert (group_problem(None), group_problem(OWN_GROUP)) == ("", "")
