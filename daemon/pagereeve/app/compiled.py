"""Whether the domain runs compiled or as plain Python: what lies beside the modules, and if it is made of them.

An extension file is loaded in place of the module beside it, whatever has become of that since. So the stamp that lies
with the extensions (contrib/compiling writes both) names the sources that they were made of, by digest.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError

PACKAGE: Final = Path(__file__).parents[1]
STAMP: Final = "compiled.json"
# Where somebody may edit the modules: a checkout has it, an installed package has not.
_COMPILES: Final = Path("contrib", "compile")


class ChangedAfterCompiling(PagereeveError):
    """What would run is not what stands in the sources."""


@dataclass(frozen=True, slots=True)
class Compiled:
    """``modules`` is how many are loaded as extensions. ``others`` names what no longer fits, below the package."""

    modules: int = 0
    others: tuple[str, ...] = ()

    @property
    def word(self) -> str:
        if self.others:
            return "changed"
        return "compiled" if self.modules else "plain"


def compiled(package: Path = PACKAGE) -> Compiled:
    """What this Python loads from a package's folder."""
    suffix = EXTENSION_SUFFIXES[0]
    # What they share lies beside the package, and does nothing without them.
    extensions = {path.relative_to(package).as_posix() for path in package.rglob(f"*{suffix}")}
    if not extensions:
        return Compiled()
    stamp = package / STAMP
    said = json.loads(stamp.read_text(encoding="utf-8")) if stamp.exists() else {"sources": {}, "extensions": []}
    strange = extensions - set(said["extensions"])
    changed = {name for name, digest in said["sources"].items() if digest_of(package / name) != digest}
    return Compiled(len(extensions), tuple(sorted(strange | changed)))


def digest_of(path: Path) -> str:
    """Empty where there is no such file."""
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def refuse_changed(package: Path = PACKAGE) -> None:
    """In a checkout. Raises ChangedAfterCompiling."""
    if not (package.parents[1] / _COMPILES).exists():
        return
    found = compiled(package).others
    if found:
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        raise ChangedAfterCompiling(
            f"{package / found[0]}{more} changed after the modules were compiled, and what they were would run: "
            f"{_COMPILES} compiles them again, {_COMPILES} --clean goes back to plain Python"
        )
