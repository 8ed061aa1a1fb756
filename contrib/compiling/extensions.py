"""From modules to extension files: mypyc writes C, and the machine's compiler does the rest, a file on each core.

Of one module comes one C file: all in one could be compiled by one core alone.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
import sysconfig
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

from setuptools import Distribution, Extension
from setuptools.command.build_ext import build_ext

from contrib.compiling.kept import CannotCompile
from contrib.compiling.modules import OPTIMIZED

# The library that all extensions share. It lies beside the package: where a module is, is computed from that.
LIBRARY: Final = "pagereeve_compiled"
WRONG: Final = ("int-conversion", "incompatible-pointer-types", "implicit-function-declaration", "return-type")
_SETTINGS: Final = """[mypy]
explicit_package_bases = true
namespace_packages = true
ignore_missing_imports = true
"""


def require_compiler() -> None:
    """Raises CannotCompile with what is missing and what to do."""
    missing = []
    command = os.environ.get("CC") or sysconfig.get_config_var("CC") or "cc"
    if shutil.which(command.split()[0]) is None:
        if shutil.which("cc") is None:
            missing.append(f"a C compiler ({command.split()[0]})")
        else:
            os.environ["CC"] = "cc"
    headers = Path(sysconfig.get_path("include")) / "Python.h"
    if not headers.is_file():
        missing.append(f"the headers of {sys.executable} ({headers})")
    if missing:
        raise CannotCompile(
            f"{' and '.join(missing)} missing; on Debian, apt-get install gcc python3-dev brings both for its Python. "
            "Nothing must be compiled: the same modules run as plain Python, at about half the speed"
        )


def write_extensions(daemon: Path, modules: Iterable[str], work: Path, target: Path) -> None:
    """Extensions of modules below ``daemon``, laid out below ``target`` as they are; ``work`` has what lies between."""
    require_compiler()
    settings = work / "mypy.ini"
    settings.write_text(_SETTINGS, encoding="utf-8")
    # Errors' tracebacks name the modules as they are given here.
    os.chdir(daemon)
    made = _written(
        [f"--config-file={settings}", *modules],
        opt_level=OPTIMIZED,
        debug_level="0",
        multi_file=True,
        target_dir=str(work / "c"),
        group_name=LIBRARY,
    )
    for one in made:
        # A warning of another compiler is no reason to stop; what would run wrong is one.
        one.extra_compile_args += ["-Wno-error", *(f"-Werror={wrong}" for wrong in WRONG)]
        one.extra_link_args.append("-s")
    _build(made, work / "objects", target)


def _written(words: list[str], **options: Any) -> list[Extension]:
    """mypyc's C, with what it says of it shown only if it gives up: it advises on speed at length."""
    from mypyc.build import mypycify  # noqa: PLC0415 - it looks for a compiler itself, and says less

    said = io.StringIO()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            return list(mypycify(words, **options))
    except SystemExit:
        sys.stderr.write(said.getvalue())
        raise


def _build(extensions: list[Extension], work: Path, target: Path) -> None:
    command = _InParallel(Distribution({"name": "pagereeve", "ext_modules": extensions}))
    command.build_temp, command.build_lib = str(work), str(target)
    command.ensure_finalized()
    command.run()


class _InParallel(build_ext):  # type: ignore[misc] # of a library that is not read here
    """The library first, whose files are many; then the others, each of one small file that asks the library."""

    def build_extensions(self) -> None:
        one_by_one = self.compiler.compile
        library, *others = self.extensions
        with ThreadPoolExecutor(len(os.sched_getaffinity(0))) as pool:

            def side_by_side(sources: list[str], **options: Any) -> list[str]:
                if len(sources) == 1:
                    return list(one_by_one(sources, **options))
                return [path for paths in pool.map(lambda one: one_by_one([one], **options), sources) for path in paths]

            self.compiler.compile = side_by_side
            self.build_extension(library)
            list(pool.map(self.build_extension, others))
