"""Alembic environment, run inside the transaction of `alertd.store.migrate`."""

from alembic import context

from alertd.store.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
