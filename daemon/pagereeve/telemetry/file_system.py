"""Is a folder on a file system that other machines serve? SQLite's locks and shared memory don't hold there.

sqlite.org/wal.html (all processes must be on the same machine: it does not work over a network file system) and
sqlite.org/useovernet.html. The types: systemd's fstype_is_network, util-linux's mnt_fstype_is_netfs.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

MOUNTS: Final = Path("/proc/self/mountinfo")
NETWORK: Final = frozenset(
    {
        *("9p", "afs", "beegfs", "ceph", "cifs", "coda", "curlftpfs", "davfs", "gfs", "gfs2", "glusterfs", "lustre"),
        *("ncp", "ncpfs", "nfs", "nfs4", "ocfs2", "orangefs", "pvfs2", "s3fs", "smb3", "smbfs", "sshfs"),
    }
)
_OCTAL: Final = re.compile(r"\\([0-7]{3})")
_POINT, _FIELDS_LEAST = 4, 6


def network_trouble(folder: Path, mounts: Path = MOUNTS) -> str:
    """Empty where the folder's file system is the machine's own, or nobody can say."""
    try:
        text = mounts.read_text(errors="surrogateescape")
    except OSError:
        return ""
    kind = _kind_of(folder.resolve(), text)
    if kind.removeprefix("fuse.") not in NETWORK:
        return ""
    return f"it is on a network file system ({kind}), where a crash or a second machine can damage the journal"


def _kind_of(folder: Path, text: str) -> str:
    """The type of the mount that the folder lies in: the deepest, and of equal ones the last, which hides the rest."""
    deepest, found = -1, ""
    for point, kind in _mounts(text):
        depth = len(point.parts)
        if depth >= deepest and folder.is_relative_to(point):
            deepest, found = depth, kind
    return found


def _mounts(text: str) -> Iterator[tuple[Path, str]]:
    """Mount points and types, as proc_pid_mountinfo(5) has them: optional fields end with a hyphen."""
    for line in text.splitlines():
        before, _, after = line.partition(" - ")
        fields, kinds = before.split(), after.split()
        if len(fields) >= _FIELDS_LEAST and kinds:
            yield Path(_OCTAL.sub(lambda code: chr(int(code[1], 8)), fields[_POINT])), kinds[0]
