"""The Debian package: made of this checkout, installed on a throw-away copy of this machine, run, upgraded, removed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pagereeve.cli.version import version_text
from tests.integration.foreign import tool

pytestmark = pytest.mark.timeout(300)

# Where the extensions are not kept from before.
COMPILED_S = 1500
ROOT = Path(__file__).parents[2]
DEBIAN = ROOT / "contrib" / "debian"
SCRIPTS = [ROOT / "contrib" / "overlay", *(DEBIAN / name for name in ("build", "trial", "postinst", "prerm", "postrm"))]
STEPS = [
    f"installed pagereeve {version_text()} ii",
    f"command: pagereeve {version_text()} (compiled)",
    "data folder: 700 pagereeve pagereeve",
    "user: /var/lib/pagereeve:/usr/sbin/nologin",
    "units verified",
    "enabled: enabled enabled",
    "ready as pagereeve",
    "ended on SIGTERM",
    "journal: 600 pagereeve",
    "upgraded, ready again",
    "removed, the journal stays",
    "purged, the journal stays",
    "purged without a journal: no user stays",
]


def of_this_machine() -> tuple[object, ...]:
    """What an installation would change here."""
    status = Path("/var/lib/dpkg/status").stat()
    folders = [Path(name).exists() for name in ("/usr/lib/pagereeve", "/usr/bin/pagereeve", "/etc/pagereeve")]
    users = "pagereeve:" in Path("/etc/passwd").read_text(encoding="utf-8")
    return status.st_mtime_ns, status.st_size, folders, users


@pytest.fixture(scope="module")
def compiled_before(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Minutes of two cores, where nobody did it before; the build then takes what is kept."""
    tool("gcc", "gcc")
    target = str(tmp_path_factory.mktemp("extensions"))
    command = [sys.executable, "-m", "contrib.compiling", "--into", target]
    subprocess.run(command, cwd=ROOT, check=True, timeout=COMPILED_S - 300)


@pytest.fixture(scope="module")
def package(compiled_before: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package")
    env = os.environ | {"TOOLS": sys.prefix}
    done = subprocess.run([DEBIAN / "build", folder], capture_output=True, text=True, check=False, timeout=200, env=env)
    assert done.returncode == 0, done.stderr[-4000:]
    (made,) = folder.glob("*.deb")
    return made


@pytest.mark.timeout(COMPILED_S)
def test_it_is_installed_run_upgraded_and_removed_and_the_journal_stays(package: Path) -> None:
    for command, owner in (("systemd-analyze", "systemd"), ("man", "man-db"), ("dpkg", "dpkg")):
        tool(command, owner)
    before = of_this_machine()
    done = subprocess.run([DEBIAN / "trial", package], capture_output=True, text=True, check=False, timeout=200)
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    assert [line.strip() for line in done.stdout.splitlines()] == STEPS
    assert of_this_machine() == before


@pytest.mark.timeout(COMPILED_S)
def test_it_depends_on_the_python_that_it_was_compiled_for_and_asks_for_nothing_that_is_not_in_debian(
    package: Path,
) -> None:
    shown = subprocess.run(
        ["dpkg-deb", "--show", "--showformat=${Package}|${Version}|${Depends}|${Architecture}", package],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    ).stdout
    name, version, depends, architecture = shown.split("|")
    asked = subprocess.run(
        ["/usr/bin/python3", "-c", "import sys; print('%d %d' % sys.version_info[:2])"],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    ).stdout
    major, minor = map(int, asked.split())
    assert (name, version) == ("pagereeve", version_text())
    assert depends.split(", ")[:2] == [f"python3 (>= {major}.{minor})", f"python3 (<< {major}.{minor + 1})"]
    assert {one.split()[0] for one in depends.split(", ")} == {
        "python3",
        "libc-bin",
        "passwd",
        "init-system-helpers",
        "procps",
    }
    assert architecture != "all"


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_shell_can_read_its_scripts(script: Path) -> None:
    shell = script.read_text(encoding="utf-8").split("\n", 1)[0].removeprefix("#!").split()
    assert subprocess.run([*shell, "-n", script], check=False, timeout=10).returncode == 0
    assert os.access(script, os.X_OK)


def test_a_trial_that_fails_says_so(tmp_path: Path) -> None:
    broken = tmp_path / "broken.deb"
    broken.write_bytes(b"no package")
    done = subprocess.run([DEBIAN / "trial", broken], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stdout) == (1, "")
    assert "trial: not installed: " in done.stderr
