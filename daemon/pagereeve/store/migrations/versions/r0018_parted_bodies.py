"""Facts take less room: the instants of a body stand beside its words, as numbers (store/records/instants_apart.py).

Rows of before stay as they are, and are read as before: the first byte of a body says which form it has. No table
changes; but what knows only the forms of before would take new rows for damaged.
"""

from __future__ import annotations

revision = "r0018"
down_revision = "r0017"
phase = "contract"


def upgrade() -> None:
    """Nothing is rewritten."""
