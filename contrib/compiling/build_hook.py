"""Hatchling's hook: a wheel with the compiled modules in it, for this kind of Python and machine, if it is asked for.

    HATCH_BUILD_HOOK_ENABLE_CUSTOM=true python -m pip wheel .

Without that word the wheel is plain Python, for any.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CompiledModules(BuildHookInterface[Any]):
    _folder: tempfile.TemporaryDirectory[str] | None = None

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if version == "editable":
            return
        self._folder = tempfile.TemporaryDirectory(prefix="pagereeve-wheel-")
        target = Path(self._folder.name)
        # A process of its own: what compiles changes modules of the library that it stands on.
        done = subprocess.run(
            [sys.executable, "-m", "contrib.compiling", "--into", target],
            cwd=self.root,
            env=os.environ | {"PYTHONPATH": str(Path(self.root, "daemon"))},
            check=False,
        )
        if done.returncode:
            sys.exit("the modules could not be compiled: what stands above says why")
        files = [path for path in target.rglob("*") if path.is_file()]
        build_data["force_include"] |= {str(path): path.relative_to(target).as_posix() for path in files}
        build_data |= {"pure_python": False, "infer_tag": True}

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:  # noqa: ARG002 - hatchling's
        if self._folder is not None:
            self._folder.cleanup()
