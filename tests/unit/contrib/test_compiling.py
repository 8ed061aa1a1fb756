"""What contrib/compile puts beside the modules: never what they were before somebody changed them."""

from __future__ import annotations

import ast
import json
import tomllib
from collections.abc import Iterable
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Any

import pytest

from contrib.compiling import kept as compiling
from contrib.compiling.modules import LEFT_OUT, compiled_sources, sources
from pagereeve.app.compiled import STAMP, ChangedAfterCompiling, Compiled, compiled, refuse_changed
from pagereeve.cli.version import version_line

ROOT = Path(__file__).parents[3]
SUFFIX = EXTENSION_SUFFIXES[0]
EXTENSION = f"domain/one{SUFFIX}"


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A checkout of two modules, and a compiler that writes down what it was asked for."""
    domain = tmp_path / "daemon" / "pagereeve" / "domain"
    domain.mkdir(parents=True)
    for name in ("one", "two"):
        (domain / f"{name}.py").write_text(f"NAME = {name!r}\n", encoding="utf-8")
    (tmp_path / "contrib").mkdir()
    (tmp_path / "contrib" / "compile").touch()

    def write_extensions(daemon: Path, modules: Iterable[str], work: Path, target: Path) -> None:
        assert work.is_dir()
        with (tmp_path / "compiled.txt").open("a", encoding="utf-8") as asked:
            asked.write("compiled\n")
        for name in modules:
            place = (target / name).with_suffix(SUFFIX)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes((daemon / name).read_bytes())

    monkeypatch.setattr("contrib.compiling.extensions.write_extensions", write_extensions)
    return tmp_path


def package_of(checkout: Path) -> Path:
    return checkout / "daemon" / "pagereeve"


def put(checkout: Path) -> int:
    return compiling.put_into(checkout / "daemon", checkout)


def times(checkout: Path) -> int:
    return len((checkout / "compiled.txt").read_text(encoding="utf-8").splitlines())


def change(checkout: Path) -> Path:
    module = package_of(checkout) / "domain" / "two.py"
    module.write_text("NAME = 2\n", encoding="utf-8")
    return module


def test_nothing_is_compiled_twice(checkout: Path) -> None:
    assert compiled(package_of(checkout)) == Compiled()
    assert (put(checkout), put(checkout)) == (2, 2)
    assert compiling.take_away(checkout / "daemon") == 2
    assert compiled(package_of(checkout)).word == "plain"
    assert put(checkout) == 2
    assert times(checkout) == 1
    assert compiled(package_of(checkout)) == Compiled(2)
    assert compiled(package_of(checkout)).word == "compiled"


def test_a_change_of_a_source_is_compiled(checkout: Path) -> None:
    put(checkout)
    changed = change(checkout)
    put(checkout)
    assert times(checkout) == 2
    assert changed.with_suffix(SUFFIX).read_bytes() == changed.read_bytes()
    assert compiled(package_of(checkout)).others == ()


def test_what_was_interrupted_is_compiled_again(checkout: Path) -> None:
    (stamp,) = [path for path in (put(checkout), *checkout.glob(f".compiled/*/pagereeve/{STAMP}")) if path != 2]
    assert isinstance(stamp, Path)
    stamp.unlink()
    put(checkout)
    assert times(checkout) == 2


def test_other_options_or_another_compiler_are_compiled(checkout: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(checkout)
    monkeypatch.setattr(compiling, "OPTIMIZED", "0")
    put(checkout)
    monkeypatch.setattr(compiling, "version", lambda _: "0.0")
    put(checkout)
    assert times(checkout) == 3


def test_a_source_that_changed_after_compiling_does_not_run_in_a_checkout(checkout: Path) -> None:
    put(checkout)
    refuse_changed(package_of(checkout))
    change(checkout)
    assert compiled(package_of(checkout)) == Compiled(2, ("domain/two.py",))
    assert compiled(package_of(checkout)).word == "changed"
    with pytest.raises(ChangedAfterCompiling, match=r"two\.py changed .*contrib/compile --clean goes back"):
        refuse_changed(package_of(checkout))
    # Where it is installed nobody compiles, and nobody is told to.
    (checkout / "contrib" / "compile").unlink()
    refuse_changed(package_of(checkout))


def test_a_source_that_went_and_an_extension_that_nobody_knows_count_as_changed(checkout: Path) -> None:
    put(checkout)
    (package_of(checkout) / "domain" / "one.py").unlink()
    (package_of(checkout) / f"odd{SUFFIX}").touch()
    assert compiled(package_of(checkout)).others == ("domain/one.py", f"odd{SUFFIX}")
    (package_of(checkout) / STAMP).unlink()
    assert compiled(package_of(checkout)).others == (EXTENSION, f"domain/two{SUFFIX}", f"odd{SUFFIX}")


def test_extensions_of_another_python_are_none(checkout: Path) -> None:
    (package_of(checkout) / "domain" / "one.cpython-21-m68k-linux-gnu.so").touch()
    assert compiled(package_of(checkout)) == Compiled()
    assert compiling.take_away(checkout / "daemon") == 1


def test_the_stamp_names_all_that_decides_and_what_is_left_out_too(checkout: Path) -> None:
    records = package_of(checkout) / "domain" / "values" / "records.py"
    records.parent.mkdir()
    records.touch()
    assert put(checkout) == 2
    stamp: dict[str, Any] = json.loads((package_of(checkout) / STAMP).read_text(encoding="utf-8"))
    assert set(stamp["sources"]) == {"domain/one.py", "domain/two.py", "domain/values/records.py"}
    assert stamp["extensions"] == [EXTENSION, f"domain/two{SUFFIX}"]
    records.write_text("CHANGED = 1\n", encoding="utf-8")
    assert compiled(package_of(checkout)).word == "changed"


def test_what_is_left_out_is_there_and_has_a_reason() -> None:
    found = sources(ROOT / "daemon")
    assert [name for name, reason in LEFT_OUT.items() if name not in found or len(reason.split()) < 3] == []
    packages = {name for name in found if name.endswith("/__init__.py")}
    chosen = compiled_sources(ROOT / "daemon")
    assert sorted([*chosen, *LEFT_OUT, *packages]) == found
    assert len(chosen) > 100
    # They say what is in them, and nothing else.
    assert [name for name in packages if len(ast.parse((ROOT / "daemon" / name).read_text("utf-8")).body) != 1] == []


def test_the_version_says_how_the_domain_runs() -> None:
    assert version_line().endswith({"plain": " (plain Python)", "compiled": " (compiled)"}[compiled().word])


def test_it_is_compiled_by_the_mypy_that_checks_the_types() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = project["tool"]["hatch"]["build"]["targets"]["wheel"]["hooks"]["custom"]["dependencies"]
    assert set(asked) & set(project["dependency-groups"]["dev"]) == {one for one in asked if one.startswith("mypy")}
    assert len(asked) == 2


def test_what_is_missing_to_compile_is_said_with_what_to_do(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from contrib.compiling.extensions import require_compiler  # noqa: PLC0415 - setuptools changes modules it stands on

    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("CC", "no-such-compiler -O9")
    with pytest.raises(
        compiling.CannotCompile, match=r"a C compiler \(no-such-compiler\).*apt-get install gcc python3-dev"
    ):
        require_compiler()
