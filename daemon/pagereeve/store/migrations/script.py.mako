"""${message}"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
phase = "expand"  # or "contract": expand first, contract once no older program runs


def upgrade() -> None:
    ${upgrades if upgrades else "pass"}
