"""Run by Alembic: applies the steps on the connection that store.database hands over."""

from __future__ import annotations

from alembic import context

from edgeinspect.store.schema import Table

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Table.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
