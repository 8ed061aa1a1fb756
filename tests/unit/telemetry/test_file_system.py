"""Which file system a folder is on. The lines are invented, in the form of proc_pid_mountinfo(5)."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.telemetry.file_system import MOUNTS, network_trouble

LINES = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
40 27 0:40 / /mnt/share rw,relatime shared:7 master:2 - nfs4 192.0.2.7:/export rw,vers=4.2
41 40 254:1 / /mnt/share/own rw - ext4 /dev/vdb rw
42 27 0:42 / /mnt/with\040blank rw - cifs //192.0.2.8/x rw
43 27 0:43 / /mnt/user rw - fuse.sshfs somebody@192.0.2.9: rw
44 27 0:44 / /mnt/twice rw - nfs 192.0.2.7:/other rw
45 44 254:2 / /mnt/twice rw - xfs /dev/vdc rw
a line that is none
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/srv/data", ""),
        ("/mnt/share", "nfs4"),
        ("/mnt/share/data/deep", "nfs4"),
        ("/mnt/share/own/data", ""),
        ("/mnt/shared", ""),
        ("/mnt/with blank/data", "cifs"),
        ("/mnt/user/data", "fuse.sshfs"),
        ("/mnt/twice/data", ""),
    ],
)
def test_a_folder_on_a_network_file_system_is_named_with_its_kind(tmp_path: Path, folder: str, kind: str) -> None:
    mounts = tmp_path / "mountinfo"
    mounts.write_text(LINES)
    told = network_trouble(Path(folder), mounts)
    assert (f"({kind})" in told) if kind else (told == "")


def test_where_nobody_can_say_nothing_is_said(tmp_path: Path) -> None:
    assert network_trouble(tmp_path, tmp_path / "none") == ""


def test_this_machines_own_list_can_be_read(tmp_path: Path) -> None:
    assert MOUNTS.is_file()
    assert isinstance(network_trouble(tmp_path), str)
