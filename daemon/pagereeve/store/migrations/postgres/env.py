"""How Alembic runs here: on the connection and in the transaction that store/postgres/upgrade.py hands it."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
