"""The locks: each package has one version in both, with the sums of its files, and is what pyproject.toml asks for."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[3]
RUNTIME, BUILD, DEV = (ROOT / "contrib" / f"requirements{part}.lock" for part in ("-runtime", "-build", ""))
SUM = re.compile(r"--hash=sha256:[0-9a-f]{64}")


def locked(path: Path) -> dict[str, tuple[Requirement, list[str]]]:
    """Each package's requirement and the options of its line, as pip reads them."""
    text = re.sub(r"#.*", "", path.read_text(encoding="utf-8")).replace("\\\n", " ")
    entries = [line.split(" --", maxsplit=1) for line in text.splitlines() if line.strip()]
    parsed = [(Requirement(entry[0]), [f"--{one}" for one in " ".join(entry[1:]).split(" --")]) for entry in entries]
    return {canonicalize_name(one.name): (one, [option.strip() for option in options]) for one, options in parsed}


def exact(one: Requirement) -> str:
    (pin,) = one.specifier
    assert pin.operator == "=="
    return pin.version


@pytest.mark.parametrize("path", [RUNTIME, BUILD, DEV], ids=lambda path: path.name)
def test_every_package_has_one_version_and_the_sums_of_its_files(path: Path) -> None:
    found = locked(path)
    assert len(found) > 5
    for name, (one, options) in found.items():
        assert exact(one), name
        assert options, name
        assert [option for option in options if not SUM.fullmatch(option)] == [], name


@pytest.mark.parametrize("path", [RUNTIME, BUILD, DEV], ids=lambda path: path.name)
def test_no_index_is_named(path: Path) -> None:
    assert re.findall(r"://|--(?:extra-)?index|--find-links|--trusted", path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", [RUNTIME, BUILD], ids=lambda path: path.name)
def test_what_is_tested_has_the_versions_that_are_built_and_run(path: Path) -> None:
    dev = {name: exact(one) for name, (one, _) in locked(DEV).items()}
    other = {name: exact(one) for name, (one, _) in locked(path).items()}
    assert other.items() <= dev.items()


def test_the_locks_satisfy_what_the_project_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    built, runs = project["build-system"]["requires"], project["project"]["dependencies"]
    dev = [*built, *runs, *project["dependency-groups"]["dev"]]
    for path, asked in ((RUNTIME, runs), (BUILD, built), (DEV, dev)):
        found = locked(path)
        for text in asked:
            one = Requirement(text)
            assert one.specifier.contains(exact(found[canonicalize_name(one.name)][0])), text


def test_what_is_installed_here_is_what_the_lock_says() -> None:
    """The environment that contrib/check makes, unless somebody changed it by hand."""
    others: dict[str, tuple[str | None, str]] = {}
    for name, (one, _) in locked(DEV).items():
        if one.marker is not None and not one.marker.evaluate():
            continue
        try:
            here: str | None = version(name)
        except PackageNotFoundError:
            here = None
        if here is None or Version(here) != Version(exact(one)):
            others[name] = (here, exact(one))
    assert others == {}


def test_the_environment_is_made_with_the_sums() -> None:
    text = (ROOT / "contrib" / "environment.sh").read_text(encoding="utf-8")
    installs = [line for line in text.splitlines() if "--requirement=" in line]
    assert len(installs) == 2
    assert [line for line in installs if "--require-hashes" not in line] == []
