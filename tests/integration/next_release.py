"""The version after this one: a copy of the package with one revision more, which changes what each group writes.

So the present program is *the version before* of something. What the next one adds this one need not know; what its
second half takes away this one can't do without.
"""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import pagereeve
from pagereeve.store.postgres.revisions import OWN, REVISION, number_of, revision_of

NEXT: Final = revision_of(OWN + 1)
AFTER_NEXT: Final = revision_of(OWN + 2)
_STEP: Final = """
    from alembic import op

    revision, down_revision = "{revision}", "{before}"


    def upgrade() -> None:
        op.execute("ALTER TABLE group_note ADD COLUMN {added} timestamptz NOT NULL DEFAULT now()")


    def contract() -> None:
        op.execute("ALTER TABLE group_note DROP COLUMN {gone}")
"""
_USES: Final = (
    ("appending.py", "number = excluded.number, {when} = excluded.{when})"),
    ("committing.py", "DELETE FROM group_note WHERE {when} < now()"),
)


def next_release(folder: Path) -> Path:
    """What must stand first among the paths of a process that is to be it."""
    return _later(Path(pagereeve.__file__).parent, folder, REVISION, NEXT, gone="at", added="noted")


def release_after(release: Path, folder: Path) -> Path:
    return _later(release / "pagereeve", folder, NEXT, AFTER_NEXT, gone="noted", added="heard")


def environment_of(release: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(release)}


def _later(package: Path, folder: Path, before: str, revision: str, *, gone: str, added: str) -> Path:
    copy = folder / "pagereeve"
    shutil.copytree(package, copy, ignore=shutil.ignore_patterns("__pycache__", "*.so", "compiled.json"))
    postgres, versions = copy / "store" / "postgres", copy / "store" / "migrations" / "postgres" / "versions"
    replaced(postgres / "revisions.py", f'"{before}"', f'"{revision}"')
    for name, text in _USES:
        replaced(postgres / name, text.format(when=gone), text.format(when=added))
    step = _STEP.format(revision=revision, before=before, gone=gone, added=added)
    (versions / f"{revision}_notes.py").write_text(textwrap.dedent(step).lstrip())
    return folder


def replaced(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert text.count(old) == 1, (path.name, old)
    path.write_text(text.replace(old, new))


BELOW: Final[Mapping[str, Sequence[tuple[str, str, str]]]] = {}
"""Of each revision after the baseline: in which files of the package (below ``pagereeve``) the program of the revision
before says something else, the text of now, the text of then. With it the first half is tried with the code below.
"""


def release_before(folder: Path, revision: str) -> Path:
    """This program without ``revision``, its newest one, and without what uses it."""
    copy = folder / "pagereeve"
    shutil.copytree(
        Path(pagereeve.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__", "*.so", "compiled.json")
    )
    before = revision_of(number_of(revision) - 1)
    [step] = (copy / "store" / "migrations" / "postgres" / "versions").glob(f"{revision}_*.py")
    step.unlink()
    replaced(copy / "store" / "postgres" / "revisions.py", f'"{revision}"', f'"{before}"')
    for name, now, then in BELOW[revision]:
        replaced(copy / name, now, then)
    return folder
