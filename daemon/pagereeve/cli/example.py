"""``pagereeve example``."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.shipped_files import SHIPPED, Shipped, content_of, shipped
from pagereeve.cli.output import say, say_bytes
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.settings.suggestions import nearest


def example(
    name: Annotated[str | None, Parameter(help="One of the list; without it the list is shown.")] = None,
    /,
    *,
    into: Annotated[
        Path | None, Parameter(name="--into", help="Write the files into this folder, which must exist.")
    ] = None,
) -> None:
    """Print a file that comes with Pagereeve: example settings, systemd units, rules, dashboards, a manual page.

    What consists of several files is written into a folder. A file that is there already is never replaced.
    """
    if name is None:
        width = max(len(one.name) for one in SHIPPED)
        for one in SHIPPED:
            say(f"{one.name:<{width}}  {one.text}")
        return
    known = shipped(name)
    if known is None:
        raise BadQuestion("example", f"none is called {name!r}{nearest(name, [one.name for one in SHIPPED])}")
    if into is not None:
        _write(_contents(known), into)
    elif len(known.files) > 1:
        files = ", ".join(str(known.place_of(file)) for file in known.files)
        raise BadQuestion("--into", f"is missing: {name} is {len(known.files)} files ({files}); name a folder for them")
    else:
        (content,) = _contents(known).values()
        say_bytes(content)


def _contents(known: Shipped) -> dict[Path, bytes]:
    """What is written where, beneath a folder."""
    if known.made:
        from pagereeve.cli.manual import manual  # noqa: PLC0415 - asks every command for its help

        return {Path(known.made): manual().encode()}
    return {known.place_of(file): content_of(file) for file in known.files}


def _write(contents: Mapping[Path, bytes], into: Path) -> None:
    if not into.is_dir():
        raise BadQuestion("--into", f"{into} is no folder; make it first")
    there = [into / place for place in contents if (into / place).exists()]
    if there:
        raise BadQuestion("--into", f"{', '.join(map(str, there))} exists already; nothing was written")
    for place, content in contents.items():
        path = into / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644), "wb") as opened:
            opened.write(content)
        say(f"wrote {path}")
