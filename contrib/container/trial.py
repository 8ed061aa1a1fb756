#!/usr/bin/env python3
"""Plays contrib/container/Containerfile on a throw-away copy of this machine, where no container runs. Needs root.

    contrib/container/trial.py SETTINGS

SETTINGS is a folder with pagereeve.toml and secrets, as contrib/compose has it. The packages of the locks are fetched
first, because the copy has no network; the steps find them there. Each step is run as it stands, in order, and what
only the stage before had is taken away; then the image's command runs as its user on a read-only root, with a volume
for the data, until its health check is content, and gets the stop signal. What is printed is JSON; exit status 1 if
something is not as it must be. Not shown: the base image's own Python and libraries.
"""

from __future__ import annotations

import json
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

HERE = Path(__file__).resolve().parent
CONTEXT, WHEELS, SETTINGS = (Path("/mnt") / name for name in ("context", "wheels", "settings"))
BASE = Path("/usr/local/base-image")
# As .dockerignore has it.
NOT_COPIED = shutil.ignore_patterns("__pycache__", "*.so", "compiled.json")
HEALTHY_S = 30.0
END_S = 30.0


@dataclass
class Image:
    """What the last stage says of the container that is made of it."""

    env: dict[str, str] = field(default_factory=dict)
    user: str = "0:0"
    folder: str = "/"
    volumes: list[str] = field(default_factory=list)
    entrypoint: list[str] = field(default_factory=list)
    command: list[str] = field(default_factory=list)
    health: list[str] = field(default_factory=list)
    stop: signal.Signals = signal.SIGTERM


def instructions(text: str) -> Iterator[tuple[str, str]]:
    joined = text.replace("\\\n", " ")
    for line in joined.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            word, _, rest = line.strip().partition(" ")
            yield word.upper(), rest.strip()


def stages(text: str) -> list[list[tuple[str, str]]]:
    found: list[list[tuple[str, str]]] = []
    for word, rest in instructions(text):
        if word == "FROM":
            found.append([])
        elif found:
            found[-1].append((word, rest))
    return found


def play(steps: list[tuple[str, str]], base: dict[str, str]) -> Image:
    image = Image(env=dict(base))
    for word, rest in steps:
        if word == "RUN":
            subprocess.run(["/bin/sh", "-c", rest], env=image.env, check=True, stdout=sys.stderr)
        elif word == "COPY":
            copy(shlex.split(rest))
        else:
            SAYS.get(word, unknown)(image, rest)
    return image


def unknown(_: Image, rest: str) -> None:
    sys.exit(f"trial: an instruction is not known here: {rest}")


# What an instruction says of the container.
SAYS: Final[dict[str, Callable[[Image, str], None]]] = {
    "ENV": lambda image, rest: image.env.update(dict(pair.split("=", 1) for pair in shlex.split(rest))),
    "USER": lambda image, rest: setattr(image, "user", rest),
    "WORKDIR": lambda image, rest: setattr(image, "folder", rest),
    "VOLUME": lambda image, rest: image.volumes.append(rest),
    "ENTRYPOINT": lambda image, rest: setattr(image, "entrypoint", json.loads(rest)),
    "CMD": lambda image, rest: setattr(image, "command", json.loads(rest)),
    "HEALTHCHECK": lambda image, rest: setattr(image, "health", json.loads(rest.partition("CMD ")[2])),
    "STOPSIGNAL": lambda image, rest: setattr(image, "stop", signal.Signals[rest]),
    # Told to who publishes ports; nothing follows from it.
    "EXPOSE": lambda image, rest: None,  # noqa: ARG005 - as the others
}


def copy(words: list[str]) -> None:
    """From the context; what comes from another stage stands where it is already, and must be there."""
    *sources, target = words
    if sources[0].startswith("--from="):
        for path in sources[1:]:
            if path != target or not Path(path).exists():
                sys.exit(f"trial: {path} of the stage before is not there, or goes to another place")
        return
    for name in sources:
        source = CONTEXT / name
        to = Path(target) / source.name if target.endswith("/") else Path(target)
        to.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, to, dirs_exist_ok=True, ignore=NOT_COPIED)
        else:
            shutil.copyfile(source, to)


def base_image() -> dict[str, str]:
    """A python with pip in the path, as the base image has; packages come from WHEELS alone."""
    subprocess.run(["/usr/bin/python3", "-m", "venv", BASE], check=True)
    path = f"{BASE}/bin:/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin"
    return {"PATH": path, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(WHEELS), "HOME": "/root", "LC_ALL": "C.UTF-8"}


def without_the_stage_before(before: set[Path]) -> None:
    for path in set(Path("/").iterdir()) - before:
        shutil.rmtree(path)


def as_container(image: Image, argv: list[str]) -> subprocess.Popen[bytes]:
    user, _, group = image.user.partition(":")
    who = ["setpriv", f"--reuid={user}", f"--regid={group}", "--clear-groups", "--no-new-privs", "--bounding-set=-all"]
    env = {name: value for name, value in image.env.items() if not name.startswith("PIP_")}
    return subprocess.Popen([*who, "--inh-caps=-all", *argv], env=env, cwd=image.folder, stdout=sys.stderr)


def bind_settings() -> None:
    """File by file, as contrib/compose does: a folder that is closed on the machine closes none of them."""
    for source in [SETTINGS / "pagereeve.toml", *sorted((SETTINGS / "secrets").iterdir())]:
        target = Path("/etc/pagereeve") / source.relative_to(SETTINGS)
        target.parent.mkdir(exist_ok=True)
        target.touch()
        subprocess.run(["mount", "--bind", source, target], check=True)


def run(image: Image) -> dict[str, Any]:
    (volume,) = image.volumes
    owner = Path(volume).stat()
    options = f"mode={owner.st_mode & 0o777:o},uid={owner.st_uid},gid={owner.st_gid}"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "volume", volume], check=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "nowhere", "/tmp"], check=True)
    bind_settings()
    subprocess.run(["mount", "-o", "remount,ro", "/"], check=True)
    before = as_container(image, image.health).wait(END_S)
    process = as_container(image, [*image.entrypoint, *image.command])
    healthy, ends_s = before, time.monotonic() + HEALTHY_S
    while healthy != 0 and time.monotonic() < ends_s and process.poll() is None:
        time.sleep(0.3)
        healthy = as_container(image, image.health).wait(END_S)
    if healthy != 0:
        process.kill()
        sys.exit("trial: the health check was never content")
    status = dict(line.split(":\t", 1) for line in Path(f"/proc/{process.pid}/status").read_text().splitlines())
    process.send_signal(image.stop)
    return {
        "user": image.user,
        "ran_as": status["Uid"].split(),
        "capabilities": status["CapBnd"],
        "volume": options,
        "health_before": before,
        "health_while_running": healthy,
        "stop_signal": image.stop.name,
        "status": process.wait(END_S),
        "written": sorted(path.name for path in Path(volume).iterdir()),
        "import_of_pip": as_container(image, ["/opt/pagereeve/bin/python", "-c", "import pip"]).wait(END_S),
    }


def inside() -> None:
    build, last = stages((HERE / "Containerfile").read_text(encoding="utf-8"))
    before = set(Path("/").iterdir())
    base = base_image()
    play(build, base)
    kept = {Path("/", *Path(rest.split()[-1]).parts[1:2]) for word, rest in last if word == "COPY"}
    without_the_stage_before(before | kept)
    found = run(play(last, base))
    print(json.dumps(found))
    number = found["user"].partition(":")[0]
    wanted = {
        "ran_as": [number] * 4,
        "capabilities": "0" * 16,
        "volume": f"mode=700,uid={number},gid={number}",
        "health_before": 1,
        "health_while_running": 0,
        "stop_signal": "SIGTERM",
        "status": 0,
        "import_of_pip": 1,
    }
    others = {name: found[name] for name, value in wanted.items() if found[name] != value}
    if others or number == "0" or "journal.sqlite" not in found["written"]:
        sys.exit(f"trial: not as it must be: {others or found}")


def main() -> None:
    if sys.argv[1:] == ["--inside"]:
        inside()
        return
    if len(sys.argv) != 2:
        sys.exit("trial: name the folder of the settings")
    with tempfile.TemporaryDirectory() as folder:
        sys.exit(on_a_copy(fetched(Path(folder)), Path(sys.argv[1]).resolve()))


def fetched(folder: Path) -> Path:
    """What both locks name, for the system's Python."""
    subprocess.run(["/usr/bin/python3", "-m", "venv", folder / "venv"], check=True)
    locks = [f"--requirement={HERE.parent}/requirements-{name}.lock" for name in ("runtime", "build")]
    options = ["--quiet", "--require-hashes", "--no-deps", "--only-binary=:all:", f"--dest={folder / 'wheels'}"]
    subprocess.run([folder / "venv" / "bin" / "python", "-m", "pip", "download", *options, *locks], check=True)
    return folder / "wheels"


def on_a_copy(wheels: Path, settings: Path) -> int:
    root = HERE.parents[1]
    bound = ((root, CONTEXT), (wheels, WHEELS), (settings, SETTINGS))
    options = [word for source, target in bound for word in ("--bind", f"{source}:{target}")]
    script = CONTEXT / "contrib" / "container" / "trial.py"
    overlay = root / "contrib" / "overlay"
    return subprocess.run([overlay, *options, "/usr/bin/python3", script, "--inside"], check=False).returncode


if __name__ == "__main__":
    main()
