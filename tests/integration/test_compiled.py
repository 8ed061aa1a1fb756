"""Wheels with and without the compiled domain. contrib/check runs this folder with the extensions in place."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import zipfile
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import pytest

from contrib.compiling.modules import compiled_sources
from tests.integration.foreign import tool

# Where nobody compiled before, as contrib/check does, this does: minutes of two cores.
pytestmark = pytest.mark.timeout(1500)

ROOT = Path(__file__).parents[2]
BUILD = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
IMPORT = "import sys; sys.path.insert(0, sys.argv[1]); from pagereeve.domain.projection import projector as it"
PROJECTOR = f"{IMPORT}; print(it.__file__)"


def wheel(folder: Path, **asked: str) -> tuple[str, set[str]]:
    """Its name, and what is in it."""
    done = subprocess.run(
        [sys.executable, "-c", BUILD, folder],
        cwd=ROOT,
        env=os.environ | asked,
        capture_output=True,
        text=True,
        check=False,
        timeout=1400,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    (made,) = folder.glob("*.whl")
    with zipfile.ZipFile(made) as archive:
        archive.extractall(folder / "site")
        return made.name, set(archive.namelist())


def test_a_wheel_is_plain_python_whatever_lies_beside_the_modules(tmp_path: Path) -> None:
    name, files = wheel(tmp_path)
    assert name.endswith("-py3-none-any.whl")
    assert "pagereeve/domain/projection/projector.py" in files
    assert [one for one in files if one.endswith((".so", "compiled.json"))] == []


def test_a_compiled_wheel_has_the_sources_and_the_extensions_of_this_kind_of_python(tmp_path: Path) -> None:
    tool("gcc", "gcc")
    tool("/usr/bin/python3-config", "python3-dev")
    name, files = wheel(tmp_path, HATCH_BUILD_HOOK_ENABLE_CUSTOM="true")
    python = f"cp{sys.version_info[0]}{sys.version_info[1]}"
    assert f"-{python}-{python}-" in name
    assert not name.endswith("-any.whl")
    modules = set(compiled_sources(ROOT / "daemon"))
    extensions = {one.removesuffix(".py") + EXTENSION_SUFFIXES[0] for one in modules}
    assert modules | extensions | {"pagereeve/compiled.json"} < files
    (library,) = {one for one in files if one.endswith(".so")} - extensions
    assert library == f"pagereeve_compiled__mypyc.{sysconfig.get_config_var('SOABI')}.so"
    ran = subprocess.run(
        [sys.executable, "-P", "-c", PROJECTOR, tmp_path / "site"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert ran.stdout.strip() == str(tmp_path / "site/pagereeve/domain/projection/projector") + EXTENSION_SUFFIXES[0]
