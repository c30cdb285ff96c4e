"""Run by Alembic; the connection, in a transaction already begun, comes from `server.store.opening`."""

from __future__ import annotations

from alembic import context
from sqlmodel import SQLModel

from server.store import tables  # noqa: F401  (the tables register themselves)

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=SQLModel.metadata,
    transactional_ddl=True,
    render_as_batch=True,
)
context.run_migrations()
