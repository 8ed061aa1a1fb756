"""How Alembic runs here: on the connection and in the transaction that journal.migrating hands it."""

from __future__ import annotations

from alembic import context

from pagereeve.store.sql.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
