"""The steps of messages that wait bear the words that receivers see: opened, updated, resolved."""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "r0004"
down_revision = "r0003"
phase = "contract"

NEW_WORDS = {"begins": "opened", "goes-on": "updated", "over": "resolved"}


def upgrade() -> None:
    connection = op.get_bind()
    alerts = sa.table("alert", sa.column("id"), sa.column("message"))
    for row in connection.execute(sa.select(alerts).where(alerts.c.message.is_not(None))).all():
        connection.execute(sa.update(alerts).where(alerts.c.id == row.id).values(message=_reworded(row.message)))
    messages = sa.table("message", sa.column("receiver"), sa.column("alert"), sa.column("nth"), sa.column("body"))
    for row in connection.execute(sa.select(messages)).all():
        key = (messages.c.receiver == row.receiver) & (messages.c.alert == row.alert) & (messages.c.nth == row.nth)
        connection.execute(sa.update(messages).where(key).values(body=_reworded(row.body)))


def _reworded(body: str) -> str:
    message = json.loads(body)
    message["step"] = NEW_WORDS[message["step"]]
    return json.dumps(message, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
