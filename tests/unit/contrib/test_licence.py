"""The licence stands once, in pyproject.toml (PEP 639), and goes with every wheel, text and all."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
LICENCE = "contrib/licences/Apache-2.0.txt"
# Of what comes along unchanged: daemon/pagereeve/console/pages/static/README.md.
OTHERS = ["contrib/licences/htmx-0BSD.txt"]
BUILD = "import sys; from hatchling.build import build_wheel; build_wheel(sys.argv[1])"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy, by the backend itself: without a network, and without a trace in the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    unwanted = shutil.ignore_patterns("__pycache__")
    for name in ("daemon", "contrib", "dashboards"):
        shutil.copytree(ROOT / name, source / name, ignore=unwanted)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    argv = [sys.executable, "-c", BUILD, str(folder)]
    subprocess.run(argv, cwd=source, check=True, capture_output=True, text=True, timeout=60)
    (built,) = folder.glob("*.whl")
    return built


def test_the_wheel_names_its_licence(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        (name,) = (name for name in archive.namelist() if name.endswith(".dist-info/METADATA"))
        metadata = Parser().parsestr(archive.read(name).decode())
    assert metadata.get_all("License-Expression") == ["Apache-2.0 AND 0BSD"]
    assert metadata.get_all("License-File") == [LICENCE, *OTHERS]
    # PEP 639: an expression needs core metadata 2.4, and the older ways of saying it are left out.
    assert tuple(map(int, metadata["Metadata-Version"].split("."))) >= (2, 4)
    assert not [line for line in metadata.get_all("Classifier", []) if line.startswith("License ::")]


def test_the_wheel_brings_the_text_along(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = sorted(name for name in archive.namelist() if ".dist-info/licenses/" in name)
        for name, licence in zip(names, [LICENCE, *OTHERS], strict=True):
            assert name.endswith(f".dist-info/licenses/{licence}")
            assert archive.read(name) == (ROOT / licence).read_bytes()
    text = (ROOT / LICENCE).read_text()
    assert text.split("\n\n")[0].split() == (
        ["Apache", "License", "Version", "2.0,", "January", "2004", "http://www.apache.org/licenses/"]
    )
    assert "END OF TERMS AND CONDITIONS" in text
