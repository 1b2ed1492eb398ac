"""Alembic runs this with the connection that the archive was opened with."""

from alembic import context

from mapper.records.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite alters a table by making it anew
)
with context.begin_transaction():
    context.run_migrations()
