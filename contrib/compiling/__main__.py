"""``python -m contrib.compiling``, in the checkout's folder: contrib/compile says what for."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from contrib.compiling.kept import DAEMON, CannotCompile, put_into, take_away
from pagereeve.app.compiled import compiled


def main() -> None:
    parser = argparse.ArgumentParser(prog="contrib/compile", description=__doc__)
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--clean-changed", action="store_true", help="take extensions away if a source changed after them"
    )
    what.add_argument("--into", type=Path, default=DAEMON, metavar="FOLDER", help="put them there, below pagereeve/")
    chosen = parser.parse_args()
    if not chosen.clean_changed:
        put(chosen.into.resolve())
    elif compiled(DAEMON / "pagereeve").others:
        print(f"contrib/compile: {take_away()} extensions taken away, whose sources have changed", file=sys.stderr)


def put(target: Path) -> None:
    try:
        count = put_into(target)
    except CannotCompile as error:
        sys.exit(f"contrib/compile: {error}")
    except ImportError as error:
        sys.exit(f"contrib/compile: {error}; contrib/requirements-build.lock has what is needed")
    print(f"contrib/compile: {target} has {count} extensions, those of its modules", file=sys.stderr)


if __name__ == "__main__":
    main()
