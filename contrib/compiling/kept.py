"""What was compiled last is kept in .compiled/ of the checkout, for each kind of Python: nothing is compiled twice."""

from __future__ import annotations

import fcntl
import json
import shutil
import sysconfig
import tempfile
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from contrib.compiling.modules import OPTIMIZED, compiled_sources, sources
from pagereeve.app.compiled import STAMP, digest_of

ROOT: Final = Path(__file__).parents[2]
DAEMON: Final = ROOT / "daemon"
PACKAGE: Final = "pagereeve"


class CannotCompile(Exception):
    """Something that a compilation needs is not on this machine."""


def kept(root: Path = ROOT) -> Path:
    """A folder with the extensions of the sources as they are, laid out as those; compiled now unless it has them."""
    abi = str(sysconfig.get_config_var("SOABI"))
    (root / ".compiled").mkdir(exist_ok=True)
    with (root / ".compiled" / "lock").open("w") as lock:
        # Whoever builds a package beside another waits for what that one compiles.
        fcntl.flock(lock, fcntl.LOCK_EX)
        return _made(root / ".compiled" / abi, root / "daemon", abi)


def _made(folder: Path, daemon: Path, abi: str) -> Path:
    stamp, wanted = folder / PACKAGE / STAMP, _wanted(daemon, abi)
    if stamp.exists():
        said = json.loads(stamp.read_text(encoding="utf-8"))
        if {name: said.get(name) for name in wanted} == wanted:
            return folder
    from contrib.compiling.extensions import write_extensions  # noqa: PLC0415 - setuptools, which the rest does without

    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory(prefix="pagereeve-compile-") as work:
        write_extensions(daemon, compiled_sources(daemon), Path(work), folder)
    made = sorted(path.relative_to(folder / PACKAGE).as_posix() for path in (folder / PACKAGE).rglob("*.so"))
    # Last: what was interrupted has none, and is made anew.
    stamp.write_text(json.dumps(wanted | {"extensions": made}, indent=1) + "\n", encoding="utf-8")
    return folder


def _wanted(daemon: Path, abi: str) -> dict[str, Any]:
    """All that decides what is compiled; sources below the package."""
    package = daemon / PACKAGE
    return {
        "python": abi,
        "mypy": version("mypy"),
        "optimized": OPTIMIZED,
        "modules": compiled_sources(daemon),
        "sources": {
            (daemon / name).relative_to(package).as_posix(): digest_of(daemon / name) for name in sources(daemon)
        },
    }


def put_into(target: Path, root: Path = ROOT) -> int:
    """Extensions and their stamp beside the modules below ``target``; how many."""
    folder = kept(root)
    take_away(target)
    files = sorted(folder.rglob("*.so"))
    for path in files:
        place = target / path.relative_to(folder)
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, place)
    shutil.copy2(folder / PACKAGE / STAMP, target / PACKAGE / STAMP)
    return len(files)


def take_away(target: Path = DAEMON) -> int:
    """All extensions below ``target``, of whatever Python, and the stamp; how many."""
    files = sorted(target.rglob("*.so"))
    for path in files:
        path.unlink()
    (target / PACKAGE / STAMP).unlink(missing_ok=True)
    return len(files)
